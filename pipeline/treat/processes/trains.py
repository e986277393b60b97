"""Several treatments in a row: what each stage makes of the water that the one before it gives."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

from pipeline.checks.treatment_names import JOINT, MEMBRANE, REMINERALISER

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.arrays import Floats
    from pipeline.treat.processes.settings import Setting

_IN_TANK: Final = ("resin bag", "tank cartridge", "jug")
# The stage whose bypass, age and life are meant where a train has only one of each: the one that does most.
_MAIN: Final = (
    MEMBRANE, "demineraliser", "decarboniser", "buffered decarboniser", "softener", "magnesium exchanger",
)  # fmt: skip


def stages_of(treatment: str) -> tuple[str, ...]:
    """Name the stages of a treatment in the order of flow; a single one is its own stage."""
    return tuple(treatment.split(JOINT))


def main_stage(treatment: str) -> str:
    """Name the stage that does most: its bypass is the bypass of the train.

    Example
    -------
    >>> main_stage("softener + reverse osmosis + remineraliser"), main_stage("jug")
    ('reverse osmosis', 'jug')
    """
    stages = stages_of(treatment)
    return next((stage for stage in _MAIN if stage in stages), stages[0])


def has_membrane(treatment: str) -> bool:
    """Say whether the water passes a membrane."""
    return MEMBRANE in stages_of(treatment)


def adds_minerals(treatment: str) -> bool:
    """Say whether a mineral cartridge comes last, alone or in a train."""
    return stages_of(treatment)[-1] == REMINERALISER


def in_tank(treatment: str) -> bool:
    """Say whether the medium is a little resin in a jug or a tank: it takes what it can, nobody can set it."""
    return treatment in _IN_TANK


def stage_setting(treatment: str, stage: str, setting: str) -> str:
    """Name the setting of a stage: of the main stage, and of minerals put back, by itself, of others with their stage.

    Example
    -------
    >>> [stage_setting("carbon + softener", stage, "exhausted") for stage in ("softener", "carbon")]
    ['exhausted', 'carbon exhausted']
    """
    own = stage == main_stage(treatment) or setting == "added_mg_l_caco3"
    return setting if own else f"{stage} {setting}"


def settings_of_train(treatment: str, settings: Mapping[str, tuple[Setting, ...]]) -> tuple[Setting, ...]:
    """List what can be set on a treatment: everything that can be set on its stages."""
    return tuple(
        replace(one, name=stage_setting(treatment, stage, one.name))
        for stage in stages_of(treatment)
        for one in settings.get(stage, ())
    )


def of_stage(
    treatment: str, stage: str, chosen: Mapping[str, Floats], settings: tuple[Setting, ...]
) -> dict[str, Floats]:
    """Take the values of one stage out of those of its train, by the stage's own names."""
    return {one.name: chosen[stage_setting(treatment, stage, one.name)] for one in settings}
