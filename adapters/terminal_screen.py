"""What the terminal shows: a picture of a live test as lines, from nothing but what it is given.

From two metres, in 80 columns and 24 rows: what to do now in capitals, the numbers that matter in
blocks.  A larger terminal shows larger numbers and more lines, a smaller one fewer.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import Literal

from adapters.block_digits import Scale, block_digits
from adapters.terminal_words import (
    Wall,
    flag_words,
    heading,
    logged_words,
    minutes_gone,
    minutes_left,
    reading_line,
)
from adapters.typed_entry import Heard
from pipeline.live_view import LiveView, PromptShown
from pipeline.prompts import when_missed

Style = Literal["", "bold", "dim", "bar", "alarm", "good", "bad", "big"]
FEEL = "feel the pulse go while pumping, note it (p140); let down, wait 30 s, pump 30 above it"
KEYS = "space first, last sound  F1-F11 symptoms, signs  F12 stop  ? help  ^C end"
KEYS_BRIEF = "space sounds  F1-F11 noted  F12 stop  ? help"
LEAST_COLUMNS, LEAST_ROWS = 40, 12
NO_MARKS = Heard()


@dataclass(frozen=True)
class Line:
    """One line of the screen in one style."""

    text: str
    style: Style = ""


@dataclass(frozen=True)
class Typing:
    """What is being typed, what was marked, what was last said, and a panel that is open."""

    text: str = ""
    heard: Heard = NO_MARKS
    said: str = ""
    said_style: Style = ""
    panel: tuple[str, ...] = ()


@dataclass(frozen=True)
class Act:
    """What to do now: a title, labelled numbers in blocks, and what else there is to know."""

    title: str
    numbers: tuple[tuple[str, str], ...] = ()
    details: tuple[str, ...] = ()
    style: Style = "bold"


def screen(
    view: LiveView, now_s: float, typing: Typing, wall: Wall, caution: str, columns: int, rows: int
) -> list[Line]:
    """Exactly `rows` lines of at most `columns` characters."""
    given, columns, height = columns, max(columns, LEAST_COLUMNS), max(rows, LEAST_ROWS)
    top = [_head(view, now_s, wall, columns), *_alarms(view, wall, columns, max(2, height // 4))]
    state = [Line(_stage(view, now_s)), Line(_logged(view, now_s, wall))]
    bottom = _bottom(typing, wall, caution, columns, height)
    act = act_now(view, now_s, wall)
    scales: tuple[tuple[Scale | None, int], ...] = (("huge", 17), ("tall", 2), ("low", 1), (None, 0))
    for scale, wanted in scales:
        airy = scale in ("huge", "tall")
        doing = _doing(act, scale, columns, airy=airy)
        room = height - len(top) - len(state) - len(doing) - len(bottom)
        if room >= wanted or scale is None:
            break
    body = [*top, *state, *doing]
    lower = [line for text in typing.panel for line in _wrapped(text, columns, 3, "")] or _lower(
        view, wall, columns, max(0, room)
    )
    if typing.panel:
        # a panel was asked for: it may cover all but the top and what is typed
        body = body[: max(len(top), height - len(bottom) - len(lower))]
    space = height - len(body) - len(bottom)
    lines = [*body, *lower[: max(0, space)]]
    lines += [Line("")] * (height - len(bottom) - len(lines))
    lines = [*lines[: height - len(bottom)], *bottom]
    # of a screen that is too small the upper part matters less than what is typed
    return [Line(line.text[:given], line.style) for line in lines[-rows:]]


def act_now(view: LiveView, now_s: float, wall: Wall) -> Act:
    """What is to be done at `now_s`."""
    if view.state == "closed":
        return Act("CLOSED", details=("being sealed",))
    extra = _extra(view, now_s)
    shown = view.at_hand(now_s)
    if view.state == "waiting":
        if view.next_stage is None:
            return Act(
                "RECORDING", details=(*extra, "no protocol: enter readings as they are taken; close ends")
            )
        return Act("NOT BEGUN", details=(f"begin starts {view.next_stage.label}", *extra))
    if shown is None:
        if view.no_room:
            details = (*extra, "this stage is too short for its reading; hold 30 makes it longer")
            return Act("NO ROOM FOR A READING", _stage_left(view, now_s), details)
        return Act("NO READING NOW", _stage_left(view, now_s), extra)
    prompt, doing = shown.prompt, shown.doing(now_s)
    pump = _pump(shown)
    others = _others(view, shown, now_s, wall)
    arm = f"{prompt.arm.upper()} ARM" if prompt.arm else ""
    again = "REPEAT" if prompt.aims_at == "repeat" else ""
    left_s = prompt.cuff_up - now_s
    if doing == "wait":
        title = _joined("WAIT", again, arm)
        details = (f"stand by at {wall.at(prompt.stand_by)}, pump at {wall.at(prompt.cuff_up)}", *pump[1])
        return Act(title, (("pump in", minutes_left(left_s)), *pump[0]), (*extra, *details, *others))
    how = f"listen down to {prompt.listen_to:g}, {_until(shown, wall)}"
    if doing == "stand_by":
        title = _joined("STAND BY", again, arm or "arm and stethoscope")
        return Act(
            title, (("pump in", minutes_left(left_s)), *pump[0]), (*extra, how, *pump[1], *others), "bar"
        )
    if doing == "take":
        to = "PUMP, FEEL THE PULSE" if prompt.inflate_to is None else f"PUMP TO {prompt.inflate_to:g}"
        numbers = (("finish within", minutes_left(prompt.window_closes - now_s)), *pump[0])
        return Act(_joined(to, arm, "then enter it"), numbers, (*extra, how, *pump[1], *others), "bar")
    missed = ("counted as missed in", minutes_left(when_missed(prompt) - now_s))
    return Act("ENTER THE READING", (missed,), (*extra, "like 148/82, or missed not_heard", *others), "bar")


def _pump(shown: PromptShown) -> tuple[tuple[tuple[str, str], ...], tuple[str, ...]]:
    """How high to pump, as a number in blocks and as words."""
    prompt = shown.prompt
    systolic = ("systolic only: the first sound is enough",) if prompt.fits == "systolic" else ()
    if prompt.inflate_to is None:
        return (), (FEEL, *systolic)
    label = "pump to, ABOVE THE DIAL" if prompt.above_dial else "pump to mmHg"
    return ((label, f"{prompt.inflate_to:.0f}"),), systolic


def _until(shown: PromptShown, wall: Wall) -> str:
    prompt = shown.prompt
    if prompt.aims_at == "mark":
        return f"first sound at {wall.at(prompt.first_sound_due)}"
    return f"finish by {wall.at(prompt.window_closes)}"


def _extra(view: LiveView, now_s: float) -> tuple[str, ...]:
    """What is to be done beside the reading."""
    words = []
    load = view.load_to_set(now_s)
    if load is not None:
        words.append(f"SET {load:.0f} W")
    if view.exertion_asked(now_s):
        words.append("ASK EXERTION" + (f" ({view.rpe_scale})" if view.rpe_scale else ""))
    return ("   ".join(words),) if words else ()


def _others(view: LiveView, shown: PromptShown, now_s: float, wall: Wall) -> tuple[str, ...]:
    """Entries that are still to come, and the window after this one."""
    words = [
        f"STILL TO ENTER: the reading of {wall.at(one.prompt.cuff_up)}, or why it is missed"
        for one in view.prompts
        if one is not shown and one.doing(now_s) == "enter"
    ]
    after = [one.prompt for one in view.prompts if one.prompt.cuff_up > max(now_s, shown.prompt.cuff_up)]
    if after:
        to = "feel the pulse" if after[0].inflate_to is None else f"to {after[0].inflate_to:g}"
        words.append(f"after that: pump at {wall.at(after[0].cuff_up)}, {to}")
    return tuple(words)


def _stage_left(view: LiveView, now_s: float) -> tuple[tuple[str, str], ...]:
    stage = view.stage
    if stage is None:
        return ()
    if stage.planned_end_s is None:
        return (("in this stage", minutes_gone(now_s - stage.started_s)),)
    return (("left of the stage", minutes_left(stage.planned_end_s - now_s)),)


def _head(view: LiveView, now_s: float, wall: Wall, columns: int) -> Line:
    right = f"{wall.at(now_s)}   {minutes_gone(now_s)} "
    left = f" {view.test_id}"
    if view.stopped:
        left += f"   stopped: {view.stopped.replace('_', ' ')}"
    return Line(left[: columns - len(right) - 1].ljust(columns - len(right)) + right, "bar")


def _alarms(view: LiveView, wall: Wall, columns: int, most: int) -> list[Line]:
    """Stop-level flags until they are acknowledged, and trouble."""
    lines: list[Line] = []
    for one in view.flags:
        if one.level == "stop" and not one.acknowledged:
            lines += _wrapped(f"{flag_words(one, wall)} (seen: ack)", columns, 2, "alarm")
    for words in view.trouble:
        lines += _wrapped(f"TROUBLE {words}", columns, 2, "alarm")
    if len(lines) > most:
        lines = [*lines[: most - 1], Line(f"and {len(lines) - most + 1} more lines of this", "alarm")]
    return lines


def _stage(view: LiveView, now_s: float) -> str:
    stage = view.stage
    following = f"then {view.next_stage.label}" if view.next_stage and not view.backed_off else ""
    if stage is None:
        return following and f"first {view.next_stage.label}" if view.next_stage else "no stage"
    left = f"{minutes_gone(now_s - stage.started_s)} so far, open"
    if stage.planned_end_s is not None:
        left_s = stage.planned_end_s - now_s
        left = f"{minutes_left(left_s)} left" if left_s >= 0 else f"over by {minutes_gone(-left_s)}"
    target = stage.stage.target_at(now_s - stage.started_s)
    named = stage.stage.label
    aim = "" if target is None or f"{target:g} W" == named else f"target {target:.0f} W"
    back = "load taken back" if view.backed_off else ""
    return "   ".join(
        part for part in (f"stage {stage.index + 1}: {named}", aim, left, following, back) if part
    )


def _logged(view: LiveView, now_s: float, wall: Wall) -> str:
    watched = view.watched
    since_s = 0.0 if watched is None else now_s - (watched.as_of - wall.anchor).total_seconds()
    parts = [
        f"load {logged_words(watched.watts if watched else None, 'W', since_s)}",
        f"heart rate {logged_words(watched.heart_rate_bpm if watched else None, 'bpm', since_s)}",
    ]
    if watched is not None and watched.cadence_rpm.value is not None:
        parts.append(f"{watched.cadence_rpm.value:.0f} rpm")
    return "   ".join(parts)


def _doing(act: Act, scale: Scale | None, columns: int, *, airy: bool) -> list[Line]:
    """The act as lines: title, numbers in blocks with their labels, details."""
    lines = [Line(f" {act.title} ".ljust(columns) if act.style == "bar" else act.title, act.style)]
    if airy:
        lines.insert(0, Line(""))
    if scale is None:
        if act.numbers:
            lines.append(Line("   ".join(f"{label} {number}" for label, number in act.numbers), "bold"))
    elif act.numbers:
        blocks = [block_digits(number, scale) for _, number in act.numbers]
        if sum(len(block[0]) + 6 for block in blocks) > columns:
            return _doing(
                act, "tall" if scale == "huge" else "low" if scale == "tall" else None, columns, airy=airy
            )
        widths = [
            max(len(block[0]), len(label)) + 6 for block, (label, _) in zip(blocks, act.numbers, strict=True)
        ]
        for row in range(len(blocks[0])):
            text = "".join(block[row].ljust(width) for block, width in zip(blocks, widths, strict=True))
            lines.append(Line(f" {text}".rstrip(), "big"))
        labels = "".join(label.ljust(width) for (label, _), width in zip(act.numbers, widths, strict=True))
        lines.append(Line(f" {labels}".rstrip()))
    details = [line for text in act.details for line in _wrapped(text, columns, 2, _loud(text))]
    return [*lines, *details, *([Line("")] if airy else [])]


def _loud(text: str) -> Style:
    """What is to be done beside the reading begins in capitals."""
    return "bold" if text.startswith(("SET ", "ASK ", "STILL ")) else ""


def _lower(view: LiveView, wall: Wall, columns: int, room: int) -> list[Line]:
    """The last readings with their changes, and the flags that are open below stop level."""
    flags = [one for one in view.flags if one.level != "stop" or one.acknowledged]
    said: list[Line] = []
    for one in flags:
        seen = " (seen)" if one.acknowledged else ""
        style: Style = "dim" if one.acknowledged else ""
        said += _wrapped(flag_words(one, wall) + seen, columns, 2, style)
    for_flags = min(len(said), max(room // 2, room - len(view.readings) - 1))
    for_readings = room - for_flags
    lines: list[Line] = []
    if view.readings and for_readings >= 2:
        lines = [Line(heading(columns), "dim")]
        lines += [
            Line(reading_line(one, wall, columns)) for one in reversed(view.readings[-(for_readings - 1) :])
        ]
    return [*lines, *said[: room - len(lines)]]


def _bottom(typing: Typing, wall: Wall, caution: str, columns: int, rows: int) -> list[Line]:
    marks = ""
    if typing.heard.first is not None:
        marks = f"first sound {wall.of(typing.heard.first)}"
        if typing.heard.last is not None:
            marks += f", last {wall.of(typing.heard.last)}"
    room = columns - 4 - (len(marks) + 2 if marks else 0)
    typed = f"> {typing.text[-room:]}_"
    line = typed.ljust(columns - len(marks)) + marks
    said = _wrapped(typing.said, columns, 3, typing.said_style) if typing.said else [Line("")]
    # the first sentence is what concerns the screen; help and the end of the test have all of it
    brief = caution if rows >= 34 else caution.split(". ")[0].removeprefix("cuffwatt ").capitalize() + "."
    keys = [Line(KEYS if columns >= len(KEYS) else KEYS_BRIEF, "dim")] if rows >= 16 else []
    return [*said, Line(line, "bold"), *keys, *_wrapped(brief, columns, 3, "dim")]


def _wrapped(text: str, columns: int, most: int, style: Style) -> list[Line]:
    lines = textwrap.wrap(text, columns, max_lines=most, placeholder=" ...")
    return [Line(line, style) for line in lines]


def _joined(*parts: str) -> str:
    return ", ".join(part for part in parts if part)
