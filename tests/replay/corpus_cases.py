"""All cases of the corpus that are made anew with the program as it is."""

from __future__ import annotations

from corpus_pack import PACK
from corpus_served import SERVED
from corpus_ups import UPS

CASES = (*PACK, *UPS, *SERVED)
