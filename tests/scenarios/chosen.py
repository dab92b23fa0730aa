"""Scenarios that no seed draws, for what it comes to is rare: each with what it is for."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from tests.scenarios.probes import BASE, BOARD, PRINTER
from tests.scenarios.scenario import Happening, LineFaults, Moment, Scenario
from tests.support.towers import How, tower

CHOSEN: Final[tuple[tuple[str, Scenario], ...]] = (
    (
        "a schedule of no temperature at all, and the factor found at another value than the usual one",
        replace(BASE, seed=2, how=How(waits=True), channels=(("flow", 98.0, 2.0),), found={"flow": 104.0}),
    ),
    (
        "killed while it probes: the next start meets a printer that listens to nobody for half a minute",
        replace(
            BASE,
            seed=3,
            text=tower().replace("G28", "G28\nG29"),
            board=(*BOARD, "probe_s=55", "busy_s=0", "reports_while_slow=false"),
            happenings=(Happening("crash", Moment(kind="run_started", after_s=8.0)),),
        ),
    ),
    (
        "no request to resend arrives whole, only the complaint before it: that alone has the line written again",
        replace(
            BASE,
            seed=4,
            kinds=("S1",),
            line=LineFaults(spoilt=(("Resend: ", "Resemd: "),) * 40),
            happenings=(Happening("fault", Moment(kind="band_entered", after_s=2.0), ("S1",)),),
        ),
    ),
    (
        "a nozzle that may go unread for a minute, and does for 20 s while it settles: the dwell begins anew",
        replace(
            BASE,
            seed=5,
            kinds=("silence",),
            channels=(("nozzle", 220.0, -8.0),),
            settle={**BASE.settle, "dwell_s": 12},
            printer={
                **PRINTER,
                "serial": {**PRINTER["serial"], "silence_s": 60.0},
                "interlocks": {"stale_s": 60.0},
            },
            happenings=(Happening("silence", Moment(kind="setpoint_confirmed", nth=2, after_s=9.0), (20.0,)),),
        ),
    ),
    *(
        (
            f"a request to resend whose number is damaged, and the complaint before it with it: {what}",
            replace(
                BASE,
                seed=seed,
                kinds=("S1",),
                line=LineFaults(spoilt=(("Last Line", "Lost Line"), number)),
                happenings=(Happening("fault", Moment(kind="band_entered", after_s=2.0), ("S1",)),),
            ),
        )
        for seed, what, number in (
            (6, "a line that cannot be", ("Resend: ", "Resend: 9")),
            (7, "a line that was taken long ago", ("Resend: 5", "Resend: 4")),
        )
    ),
)
