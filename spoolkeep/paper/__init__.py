"""Labels and sheets, to bytes: pure, and dated by a parameter.

Services and the command line call it. It must not know storage or the web.
"""
