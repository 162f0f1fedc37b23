"""What the size of an injected fault means, cause by cause."""

from collections.abc import Mapping
from typing import Final

from pipeline.contract.causes import RECORDS

SIZE_OF: Final[Mapping[str, tuple[str, str]]] = {cause.name: cause.size for cause in RECORDS}
"""What the size of each cause means: its unit, and of what."""

SIZES_TOLD: Final = "Sizes: " + ", ".join(f"{cause} in {unit} {what}" for cause, (unit, what) in SIZE_OF.items()) + "."
"""The same in words."""
