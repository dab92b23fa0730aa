"""What is known of a printer's heaters before a run: from set-up, and from the runs that were."""

from __future__ import annotations

from typing import Any

from banderole.places import state_folder

TYPE_CHECKING = False
if TYPE_CHECKING:
    from banderole.run.thermal import HeaterModel


def known_heaters(name: str) -> dict[str, dict[str, Any]]:
    """By heater, as `HeaterModel.begin_with` takes it; {} where nothing is known. Never raises."""
    from banderole.record.runs import heaters
    from banderole.setup import heaters_file

    return {**heaters_file.read(name), **heaters(state_folder(name))}


def nozzle_of(name: str) -> HeaterModel:
    """A model of this printer's nozzle that predicts by what is known of it."""
    from banderole.run.thermal import HeaterModel

    model = HeaterModel()
    if (known := known_heaters(name).get("nozzle")) is not None:
        model.begin_with(known)
    return model
