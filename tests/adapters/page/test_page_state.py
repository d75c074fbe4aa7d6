"""What each device is shown: the same moment to everybody, but no numbers to whom they would sway."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pipeline.events as ev
from adapters.page.state import Board
from pipeline.control import Begin
from pipeline.journal import read_journal

Serve = Callable[..., Any]
FIRST = {"k1_mmhg": 128, "k5_mmhg": 78, "arm": "left"}


def seen_by(served: Any, role: str) -> list[tuple[str, Any, bool]]:
    return [(one["role"], one["k1_mmhg"], one["hidden"]) for one in served.state(role=role)["readings"]]


def test_a_second_observer_is_blind_to_the_first_until_both_have_entered(serve: Serve) -> None:
    served = serve()
    served.rehearsed.ask(Begin())
    served.rehearsed.advance(150, 0, 70)
    served.enter(1, reading=FIRST, first={"at_s": 120})
    hidden, shown = ("primary", None, True), ("primary", 128, False)
    assert seen_by(served, "second") == [hidden]
    assert seen_by(served, "primary") == seen_by(served, "watching") == [shown]
    served.enter(
        2, reading=FIRST | {"k1_mmhg": 132, "role": "second", "observer": "CD-2"}, first={"at_s": 121}
    )
    both = [shown, ("second", 132, False)]
    assert seen_by(served, "second") == seen_by(served, "primary") == seen_by(served, "watching") == both
    first, second = served.rehearsed.of(ev.ReadingTaken)
    assert (second.role, second.pair_seq, second.observer) == ("second", first.seq, "CD-2")


def test_the_first_is_as_blind_to_the_second(serve: Serve) -> None:
    served = serve()
    served.rehearsed.ask(Begin())
    served.rehearsed.advance(150, 0, 70)
    served.enter(1, reading=FIRST | {"role": "second", "observer": "CD-2"}, first={"at_s": 120})
    assert seen_by(served, "primary") == [("second", None, True)]
    assert seen_by(served, "watching") == [("second", 128, False)]


def test_nobody_stays_blind_for_ever_and_a_flag_is_shown_without_the_number(serve: Serve) -> None:
    served = serve()
    served.rehearsed.ask(Begin())
    served.rehearsed.advance(150, 0, 70)
    served.enter(1, reading={"k1_mmhg": 262, "k5_mmhg": 120, "arm": "left"}, first={"at_s": 120})
    [flag] = [
        one
        for one in served.state(role="second")["flags"]
        if one["code"] == "implausible_pair" or "high" in one["code"]
    ][:1]
    assert (flag["rule"], flag["detail"]) == (None, None)
    assert flag["words"]
    [same] = [one for one in served.state(role="primary")["flags"] if one["code"] == flag["code"]]
    assert same["rule"]
    served.rehearsed.advance(239)
    assert seen_by(served, "second") == [("primary", None, True)]
    served.rehearsed.advance(240)
    assert seen_by(served, "second") == [("primary", 262, False)]


def test_what_is_to_be_done_is_there_with_its_times_and_pressures(serve: Serve) -> None:
    """Rest: first pumping 60 s after the stage began; stand-by 20 s before; the pulse is felt first."""
    served = serve()
    waiting = served.state()
    assert (waiting["state"], waiting["next"], waiting["prompts"]) == ("waiting", "rest", [])
    served.rehearsed.ask(Begin())
    served.rehearsed.advance(50)
    state = served.state()
    assert (state["state"], state["now_s"], state["quiet"]) == ("running", 50, False)
    assert state["stage"]["label"] == "rest"
    [prompt] = state["prompts"]
    assert (prompt["issued"], prompt["stand_by"], prompt["cuff_up"]) == (True, 40, 60)
    assert (prompt["inflate_to"], prompt["listen_to"]) == (None, 50)
    served.rehearsed.advance(61)
    assert served.state()["quiet"]
    assert served.state()["windows"] == [[60, prompt["window_closes"]]]


def test_load_and_heart_rate_come_with_their_age_and_only_what_is_new(serve: Serve) -> None:
    served = serve()
    served.rehearsed.ask(Begin())
    served.rehearsed.advance(60, 40, 90)
    state = served.state()
    assert (state["watts"]["value"], state["watts"]["source"]) == (40, "bike")
    assert 0 <= state["watts"]["age_s"] <= 2
    assert 85 < state["heart_rate_bpm"]["value"] < 95
    assert state["trace_from"] == 0
    trace = state["trace"]
    assert all(later[0] - earlier[0] >= 5 for earlier, later in pairwise(trace))
    served.rehearsed.advance(80, 40, 90)
    more = served.state(after=state["version"], points=len(trace))
    assert more["trace_from"] == len(trace)
    assert more["trace"][0][0] > trace[-1][0]
    # points of a server that was there before are not these
    assert served.state(after="00000000-1", points=5)["trace_from"] == 0


def test_after_an_interruption_the_chart_goes_on_from_the_journal(serve: Serve) -> None:
    served = serve()
    served.rehearsed.ask(Begin())
    served.rehearsed.advance(60, 40, 90)
    before = read_journal(served.rehearsed.journal.path).events
    samples = [event for event in before if isinstance(event, ev.Sample)]
    board = Board(served.rehearsed, served.rehearsed.clock, before)
    trace = board.wait("", 0, "watching", 0)["trace"]
    # one sample every 2 s: every third is 5 s or more after the last
    assert trace == [(one.elapsed_s, one.watts, one.heart_rate_bpm) for one in samples[::3]]
