"""The demo: an invented workshop whose days are lived, one by one, until its books are as old as yesterday.

The command line calls it. Everything is booked through the services that a person uses; `instance_demo/` describes it.
"""

from spoolkeep.services.demo.build import (
    AS_IT_WAS,
    BUILT,
    WENT_ON,
    demo_folder,
    owner_of,
    prepare,
    usual_instance,
)

__all__ = ["AS_IT_WAS", "BUILT", "WENT_ON", "demo_folder", "owner_of", "prepare", "usual_instance"]
