"""What participants were asked to ride, where no log says what they rode."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pipeline.prompt import StageInForce
from pipeline.snapshot import Snapshot, SnapshotReading


def with_targets(snapshot: Snapshot, stages: Sequence[StageInForce]) -> Snapshot:
    """Readings without measured load get what their stage asked for at that moment."""
    by_index = {stage.index: stage for stage in stages}

    def filled(reading: SnapshotReading) -> SnapshotReading:
        stage = None if reading.stage_index is None else by_index.get(reading.stage_index)
        if reading.watts is not None or reading.k1 is None or stage is None:
            return reading
        return replace(reading, watts=stage.stage.target_at(reading.measured_s - stage.started_s))

    return replace(snapshot, readings=tuple(filled(reading) for reading in snapshot.readings))


def load_left(stages: Sequence[StageInForce]) -> tuple[float | None, float | None]:
    """When the last loaded stage ended in seconds, and its target in watts then; None where it has not."""
    loaded = [stage for stage in stages if stage.stage.loaded]
    if not loaded or loaded[-1].ended_s is None:
        return None, None
    last, ended_s = loaded[-1], loaded[-1].ended_s
    return ended_s, last.stage.target_at(ended_s - last.started_s)
