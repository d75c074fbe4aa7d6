"""Names for the lines of a test that stay the same when the test is recorded again.

What happened (an entry, a stage, the opening) is called after its number in the record; what the
recorder made (a prompt, a reading that it found missed) after what was wanted: `3:stage_end`,
`missed 0:rest:2`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from pipeline.course import Course
from pipeline.events import Event, ReadingDue, ReadingMissed, StageExtended, StageStarted, TestOpened
from pipeline.issued import SOURCE, keyed
from pipeline.plan import MARK_S
from pipeline.prompts import Planner


def made_by_recorder(event: Event) -> bool:
    """Whether the recorder wrote this line of itself, so that it comes anew when it records again."""
    if isinstance(event, ReadingMissed):
        return event.source == SOURCE
    return event.kind in {"reading_due", "prompt_late", "prompt_superseded", "flag_raised", "test_closed"}


def line_names(
    events: Iterable[Event], opened: TestOpened, recorded: Mapping[int, int] | None = None
) -> dict[int, str]:
    """Names by seq, of every line but samples.

    `recorded` says of a test that was recorded again which line of the record each line that
    happened was (seq -> seq there).
    """
    planner, course = Planner(opened.anchor), Course(opened.protocol, opened.anchor)
    names: dict[int, str] = {}
    missed: dict[int, int | None] = {}
    for event in events:
        seq = -1 if event.seq is None else event.seq
        planner.note(event)
        if isinstance(event, StageStarted):
            course.begin(event)
        elif isinstance(event, StageExtended):
            course.extend(event)
        if isinstance(event, ReadingMissed) and made_by_recorder(event):
            missed[seq] = event.due_seq
        elif not made_by_recorder(event):
            names[seq] = f"line {seq if recorded is None else recorded.get(seq, seq)}"
    for seq, one in keyed(planner.issued, course.stages).items():
        key = one.prompt.key
        if one.prompt.aims_at == "repeat":
            key = f"repeat of {names.get(one.after_seq, one.after_seq)}"
        elif one.prompt.aims_at == "mark":
            started_s = next(
                stage.started_s for stage in course.stages if stage.index == one.prompt.stage_index
            )
            key = f"{one.prompt.stage_index}:mark at {one.prompt.window_closes - MARK_S - started_s:.0f} s"
        names[seq] = key
    names |= {seq: f"missed {names.get(-1 if due is None else due)}" for seq, due in missed.items()}
    return names


def prompts_by_name(events: Iterable[Event], names: Mapping[int, str]) -> dict[str, ReadingDue]:
    """The last prompt of each name: the one that stood when its reading was due."""
    due = [event for event in events if isinstance(event, ReadingDue)]
    return {names[event.seq]: event for event in due if event.seq is not None}
