"""When are two names the same to whoever reads them?"""

from __future__ import annotations

import unicodedata

# Printed, and yet nothing is seen of them: variation selectors, fillers and joiners of the Unicode Standard's
# Default_Ignorable_Code_Point that its categories call letters and marks.
_UNSEEN = {
    *range(0xFE00, 0xFE10),
    *range(0xE0100, 0xE01F0),
    *range(0x180B, 0x180E),
    *(0x034F, 0x115F, 0x1160, 0x17B4, 0x17B5),
}


def tidy(name: str) -> str:
    """A name as it is kept: one space between words, none around them."""
    return " ".join(name.split())


def as_read(name: str) -> str:
    """What is the same in names that differ by case, blanks, width or composition only; "" = nothing is seen.

    Compatibility decomposition (Unicode Standard Annex 15, NFKC) and case folding. Letters of other scripts
    that look like these are other letters.
    """
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", tidy(name)).casefold())
    return tidy("".join(letter for letter in folded if ord(letter) not in _UNSEEN))
