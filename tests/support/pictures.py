"""A run as it is published, invented: six bands, the third in work."""

from __future__ import annotations

from typing import Any


def bands(count: int = 6, at: int = 3, **others: float) -> list[dict[str, Any]]:
    """Steps of 7.5 mm on a 1.2 mm plinth, falling by 6 °C; `at` is in work; `others` are set in every band."""
    made = []
    for number in range(1, count + 1):
        state = "done" if number < at else "at work" if number == at else "ahead"
        goal, begun = 254 - 6 * number, state != "ahead"
        made.append(
            {
                "band": number,
                "from_mm": 0.0 if number == 1 else 1.2 + 7.5 * (number - 1),
                "to_mm": 1.2 + 7.5 * number,
                "setpoints": {"nozzle": goal, **others},
                "state": state,
                "nozzle": {"mean": goal - 0.1, "least": goal - 1.0, "most": goal + 0.8} if begun else None,
                "in_tolerance": (0.938 if number == 2 else 0.9986) if begun else None,
                "filament_mm": 312.4 if begun else 0.0,
                "seconds": 180.2 if begun else 0.0,
                "settle_s": 14.1 if begun else None,
                "predicted_s": 13.0 if begun else None,
                "cautions": ["not settled within 240 s"] if number == 2 and begun else [],
            }
        )
    return made


def status(**changed: Any) -> dict[str, Any]:
    """Laying down band 3."""
    return {
        "state": "Running",
        "phase": "printing",
        "doing": "laying down band 3",
        "run": "20261125-081500-3f2a",
        "printer": "bench-a",
        "file": "tower.gcode",
        "title": "Harbour grey PETG, spool 7",
        "band": 3,
        "bands": 6,
        "height": 20.4,
        "fraction": 0.41,
        "remaining_s": 1234.0,
        "measured": {"nozzle": 235.8, "bed": 60.1},
        "setpoint": {"nozzle": 236.0, "bed": 60.0, "flow": 100.0},
        "hold": None,
        "heat_proven_off": None,
        "alarms": [],
        "since": "2026-11-25T08:15:00.000Z",
        "nonce": "n1",
        **changed,
    }


TRIP: dict[str, Any] = {
    "alarm": "heat_rise", "grade": "trip", "state": "unacknowledged", "first_out": True, "value": 181.2,
    "limit": 190.0, "text": "the nozzle rises too slowly",
}  # fmt: skip
CAUTION: dict[str, Any] = {
    "alarm": "mains", "grade": "caution", "state": "unacknowledged", "first_out": False, "value": None,
    "limit": None, "text": "switch the printer off at the mains",
}  # fmt: skip
EVENTS = [
    "08:15:00 started: tower.gcode on bench-a",
    "08:16:12 settled at nozzle 236 °C after 14 s, 13 s expected",
    "08:16:20 band 3 begins: nozzle 236 °C (proof: reported)",
]
