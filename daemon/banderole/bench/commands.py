"""Which handler does which command; what is not here is unknown to the board."""

from __future__ import annotations

from banderole.bench.do_heat import (
    allow_cold,
    fan,
    feed_factor,
    flow_factor,
    pressure_advance,
    retraction,
    select_tool,
    set_bed,
    set_nozzle,
    wait_bed,
    wait_nozzle,
)
from banderole.bench.do_motion import (
    arc,
    distance_mode,
    drain,
    dwell,
    e_mode,
    home,
    motors_off,
    probe,
    retract,
    shift,
    straight,
    units,
)
from banderole.bench.do_talk import (
    auto_report,
    break_wait,
    busy_interval,
    emergency_stop,
    identity,
    inactivity,
    nothing,
    person,
    position,
    quick_stop,
    temperatures,
)
from banderole.bench.reading import Handler

HANDLERS: dict[str, Handler] = {
    "G0": straight, "G1": straight, "G2": arc(clockwise=True), "G3": arc(clockwise=False), "G4": dwell,
    "G10": retract(back=True), "G11": retract(back=False), "G20": units(25.4), "G21": units(1.0),
    "G28": home, "G29": probe, "G30": probe, "G32": probe, "G33": probe, "G34": probe, "G425": probe,
    "G90": distance_mode(relative=False), "G91": distance_mode(relative=True),
    "G92": shift, "M0": person, "M1": person, "M17": nothing, "M18": motors_off, "M82": e_mode(relative=False),
    "M83": e_mode(relative=True), "M84": motors_off, "M85": inactivity, "M104": set_nozzle, "M105": temperatures,
    "M106": fan(on=True), "M107": fan(on=False), "M108": break_wait, "M109": wait_nozzle, "M110": nothing,
    "M112": emergency_stop, "M113": busy_interval, "M114": position, "M115": identity, "M117": nothing,
    "M140": set_bed, "M155": auto_report, "M190": wait_bed, "M207": retraction, "M220": feed_factor,
    "M221": flow_factor, "M302": allow_cold, "M400": drain, "M410": quick_stop, "M600": person,
    "M900": pressure_advance,
} | {f"T{tool}": select_tool(tool) for tool in range(8)}  # fmt: skip
