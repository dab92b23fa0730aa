"""Towers as G-code, drawn from a seed, and what is true of each: what a finder of steps is judged by.

`tower(seed)` draws a part of one of many families, prints it in its head, and returns the file with its truth. The
same seed gives the same bytes everywhere. `truth` says what is true and which answers are as good. Lengths are mm.
"""

from .drawing import FAMILIES, NEGATIVES, family_of, tower
from .truth import Layer, Tower, Truth

__all__ = ["FAMILIES", "NEGATIVES", "Layer", "Tower", "Truth", "family_of", "tower"]
