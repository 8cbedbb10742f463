"""What is known of handling a plastic: drying, keeping, fumes, dust, and contact with food; each with its source.

Pages of materials, items and spools show it. A maker's own sheet, local codes and licensed practice come before it.
"""

from dataclasses import dataclass
from enum import StrEnum

from spoolkeep.domain.words import Finish

PRACTICE, MEMORY = "common practice, no source", "from memory"
AZIMI = "Azimi, Zhao, Pouzet, Crain and Stephens, Environ. Sci. Technol. 50 (2016) 1260 ff."
NIOSH = "NIOSH, Approaches to safe 3D printing (2023)"
FOOD = "Regulations (EC) No 1935/2004 and (EU) No 10/2011"


class About(StrEnum):
    """What a note is about."""

    DRYING = "Drying"
    KEEPING = "Keeping"
    FUMES = "Fumes"
    DUST = "Dust"
    CONTACT = "Food, skin and toys"


@dataclass(frozen=True)
class Note:
    """One thing to mind, in sentences, and where it is from."""

    about: About
    words: str
    source: str


_STYRENE = (
    "It gives off styrene and very many fine particles. Close the machine in, draw the air off or filter it, and do "
    "not work beside it."
)
_LIKE_ABS = (
    "Like ABS it is made with styrene. Close the machine in, draw the air off or filter it, and do not work beside it."
)
_CAPROLACTAM = "It gives off caprolactam and fine particles. Draw the air off or filter it, and keep your distance."
_SOME = "It gives off fine particles and vapours too, as every melted plastic does. Air the room."
_FUMES = {
    "ABS": (_STYRENE, AZIMI),
    "ASA": (_LIKE_ABS, PRACTICE),
    "HIPS": (_STYRENE, AZIMI),
    "PA": (_CAPROLACTAM, AZIMI),
    "PLA": ("It gives off lactide and fine particles, fewer than ABS. Air the room all the same.", AZIMI),
}
_UNKNOWN = (
    "What it gives off depends on its maker's recipe. Read the safety sheet, air the room, and keep your distance from "
    "a machine that prints."
)
_FILLED = (
    "Fibres and powders in it come free when a part is sanded or broken, and wear a brass nozzle down. Wet what you "
    "sand, draw the dust off, and do not breathe it in."
)
_DRYING = (
    "Only in a dryer that is made for plastic, at the degrees and hours of the maker's sheet: never in a food oven, "
    "and not unwatched unless the dryer's maker allows it. A reel that softens jams a feeder; some reels take less "
    "heat than what is on them."
)
_THIRSTY = (
    "It draws water from the air within hours: keep it in a dry box with fresh desiccant, and dry it before use "
    "when it was out for long. Water boils in the nozzle and leaves bubbles, strings and weak parts."
)
_STAYS = (
    "It takes up water slowly. Keep it in its bag or a closed box, out of the sun and away from heat. Plastic in store "
    "is fire load."
)
_CONTACT = (
    "The material's name says nothing of it. Whoever sells a part for food needs the declaration of the "
    "plastic's maker; its colours, the nozzle and the part's grooves count too. Toys and skin have rules of their own. "
    "Ask a licensed professional."
)


def notes(material: str, finish: str = "", *, thirsty: bool) -> tuple[Note, ...]:
    """Give what is to be minded of a material by its short name, in a finish; `thirsty` where it draws water."""
    short = material.upper()
    fumes, source = _FUMES.get(short, (_SOME, NIOSH) if short in _PLAIN else (_UNKNOWN, NIOSH))
    found = [
        Note(About.DRYING, _DRYING, PRACTICE),
        Note(About.KEEPING, _THIRSTY if thirsty else _STAYS, PRACTICE),
        Note(About.FUMES, fumes, source),
    ]
    if finish in _WITH_DUST:
        found.append(Note(About.DUST, _FILLED, PRACTICE))
    return (*found, Note(About.CONTACT, _CONTACT, FOOD))


_PLAIN = frozenset({"PETG", "TPU", "PC"})
_WITH_DUST = frozenset({Finish.FILLED, Finish.GLOW})
