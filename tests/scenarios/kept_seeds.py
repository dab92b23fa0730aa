"""Seeds that once broke an invariant, kept for ever, each with what it found."""

from __future__ import annotations

from typing import Final

KEPT: Final[dict[int, str]] = {
    108: "a hold that came behind the last block was accepted, and the run was complete without it",
    153: "a cold bed was held against one reading low by its noise: heat off was not proven, and a sound run tripped at its end",
    6: "a reading of the cold bed that had lost a digit was taken for the lowest, and the next one for a climb while off",
    151: "an outlet that failed while the printer was being made safe stopped the ladder, and nobody was told of the mains; "
    "doubled replies counted as three readings, and heat as proven off, within 50 ms, at a heater that was stuck on",
}
