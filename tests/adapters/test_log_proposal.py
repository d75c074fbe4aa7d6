"""Formats proposed for logs that nobody described; each must read back and read its log."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.csv_log import read_log
from adapters.log_format import load_format
from adapters.log_guess import ANY_START
from adapters.log_proposal import Proposal, propose
from pipeline.errors import InputError
from pipeline.events import Sample


@pytest.fixture
def proposed(tmp_path: Path) -> Any:
    """Write a log, propose, load what was proposed, and read the log by it."""

    def run(text: str | bytes) -> tuple[Proposal, list[Sample]]:
        path = tmp_path / "bike.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        proposal = propose(path)
        written = tmp_path / "format.toml"
        written.write_text(proposal.words(), encoding="utf-8")
        assert load_format(written) == proposal.fmt
        events = read_log(path, load_format(written), name="bike", started=ANY_START).events
        return proposal, [event for event in events if isinstance(event, Sample)]

    return run


def lines(row: str, count: int = 30) -> str:
    """`count` lines; `{n}` counts, `{s}` counts in two digits, `{load}` steps by 50 every ten lines."""
    return "".join(row.format(n=n, s=f"{n % 60:02d}", load=n // 10 * 50) + "\n" for n in range(count))


def test_the_plain_log_is_all_certain(proposed: Any) -> None:
    text = "time,watts,cadence_rpm,heart_rate_bpm\n" + lines("2026-03-14T09:30:{s}+01:00,{load},60,{n}")
    proposal, samples = proposed(text)
    assert proposal.doubts == ()
    assert proposal.found == (
        "times from 2026-03-14 08:30:00 UTC to 2026-03-14 08:30:29 UTC, 30 lines",
        "watts 0 to 100",
        "cadence_rpm 60 to 60",
        "heart_rate_bpm 0 to 29",
    )
    assert proposal.rows[1] == "2026-03-14 08:30:01  watts 0, cadence_rpm 60, heart_rate_bpm 1"
    assert len(samples) == 30


def test_a_western_european_export_with_a_preamble_and_units(proposed: Any) -> None:
    text = (
        "Gerät: Beispiel\nSerie 12\n\nUhrzeit;Leistung;Trittfrequenz;Herzfrequenz;Bemerkung\n"
        "hh:mm:ss;W;1/min;1/min;\n" + lines("09:30:{s};{load},5;6{n};1{s};")
    )
    proposal, samples = proposed(text.encode("cp1252"))
    assert proposal.fmt.delimiter == ";"
    assert proposal.fmt.skip_lines == 3
    assert proposal.fmt.encoding == "cp1252"
    assert proposal.fmt.decimal_comma
    assert proposal.fmt.time.form == "clock"
    assert (samples[12].watts, samples[12].heart_rate_bpm) == (50.5, 112)
    doubts = "\n".join(proposal.doubts)
    for words in (
        "no UTF-8 text; encoding cp1252 is assumed",
        "the line after the header (hh:mm:ss, W, 1/min, 1/min, ) is no data",
        "the first 3 lines are left out as a preamble",
        "times like '09:30:00' are taken for time of day (clock)",
        "`started` in [test] of the setup gives them",
        "not used: 'Bemerkung'",
        "1 of 31 lines have a problem; line 5: time 'hh:mm:ss' is not of the form clock",
    ):
        assert words in doubts
    assert proposal.rows[0].startswith("09:30:00  watts 0.5")


def test_kp_with_cadence_and_rr_intervals(proposed: Any) -> None:
    text = "Elapsed\tBrake (kp)\trpm\tRR\n" + lines("0:00:{s}\t2.0\t50\t5{s}")
    proposal, samples = proposed(text)
    assert proposal.fmt.time.form == "elapsed_clock"
    assert proposal.fmt.watts is not None
    assert (proposal.fmt.watts.unit, proposal.fmt.watts.metres_per_rev) == ("kp", 6)
    assert samples[0].watts == pytest.approx(98.0665)  # 2 * 9.80665 * 6 * 50 / 60
    assert samples[0].heart_rate_bpm == 120
    assert any("metres_per_rev = 6 is assumed; some ergometers have 3" in doubt for doubt in proposal.doubts)
    assert proposal.rows[1].startswith("1 s  ")


def test_kp_without_cadence_and_kgm(proposed: Any) -> None:
    proposal, _ = proposed("sec;kp\n" + lines("{n};2"))
    assert proposal.fmt.watts.rpm == 60
    assert any("no cadence is logged and rpm = 60 is assumed" in doubt for doubt in proposal.doubts)
    proposal, samples = proposed("sec;load [kgm/min]\n" + lines("{n};600"))
    assert proposal.fmt.watts.unit == "kgm/min"
    assert samples[0].watts == pytest.approx(98.0665)


def test_without_header_the_values_decide_and_that_is_said(proposed: Any) -> None:
    proposal, samples = proposed(lines("  {n}.5   {load} 6{n}  11{n}", 10) + lines("1{s}.5 200 60 120"))
    assert not proposal.fmt.has_header
    assert proposal.fmt.columns == 4
    assert (samples[-1].watts, samples[-1].cadence_rpm, samples[-1].heart_rate_bpm) == (200, 60, 120)
    assert sum("by its values alone" in doubt for doubt in proposal.doubts) == 3
    assert any("column 1 is taken for the time because its numbers rise" in d for d in proposal.doubts)


def test_a_single_unnamed_column_of_heart_rates(proposed: Any) -> None:
    proposal, samples = proposed(lines("{n},1{s}"))
    assert proposal.fmt.watts is None
    assert samples[20].heart_rate_bpm == 120


TIMES = [
    ("timestamp", "17734770{s}", "epoch_s", ""),
    ("timestamp", "17734770{s}000", "epoch_ms", ""),
    ("t", "{n}.5", "elapsed_s", ""),
    ("time", "{n}000", "elapsed_ms", "'time' rises by 1000 a line: milliseconds are assumed"),
    ("ms", "{n}0", "elapsed_ms", ""),
    ("Date", "14.03.2026 09:30:{s}", "day_first", ""),
    ("Date", "3/14/2026 9:30:{s}", "month_first", ""),
    ("Datum", "03.04.2026 09:30:{s}", "day_first", "can be day first or month first: day_first is assumed"),
    ("Date", "3/4/2026 9:30:{s}", "month_first", "can be day first or month first: month_first is"),
    ("time", "2026-03-14T09:30:{s}", "iso8601", "`started` in [test] of the setup gives them"),
    ("time", "00:{s}", "elapsed_clock", "are taken for time since the start (elapsed_clock)"),
    ("time", "75:{s}", "elapsed_clock", ""),
    ("when", "09:30:{s}", "clock", "are taken for time of day (clock)"),
]


@pytest.mark.parametrize(("name", "cell", "form", "doubt"), TIMES)
def test_forms_of_time(proposed: Any, name: str, cell: str, form: str, doubt: str) -> None:
    proposal, samples = proposed(f"{name}|power W\n" + lines(cell + "|{load}"))
    assert proposal.fmt.time.form == form
    assert len(samples) == 30
    assert any(doubt in said for said in (*proposal.doubts, ""))


DOUBTFUL = [
    ("t,power,load\n" + lines("{n},{load},7"), "watts: 'power' is taken; 'load' could be meant as well"),
    (
        "t,load\n" + lines("{n},{load}00"),
        "up to 10000 are taken as W; kgm/min would be 6.12 times the W",
    ),
    ("t,load\n" + lines("{n},2.5"), "loads up to 2.5 are taken as W; is it kp?"),
    ("t,heart\n" + lines("{n},8{s}"), "heart_rate_bpm: around 814.5, taken as RR intervals in ms"),
    ("t;heart\n" + lines("{n};8{s}") + "30;80,5\n31;80.5\n", "1 numbers have a decimal comma and 1 a point"),
]


@pytest.mark.parametrize(("text", "doubt"), DOUBTFUL)
def test_what_is_not_sure_is_said(proposed: Any, text: str, doubt: str) -> None:
    proposal, _ = proposed(text)
    assert any(doubt in said for said in proposal.doubts), proposal.doubts


def test_usual_loads_raise_no_doubt(proposed: Any) -> None:
    proposal, _ = proposed("t,load\n" + lines("{n},1{s}"))
    assert not any("watts" in said for said in proposal.doubts)


def test_several_tests_in_one_file_are_noticed(proposed: Any) -> None:
    test = lines("{n},1{s}")
    person = "".join(f"{n // 30},{row}\n" for n, row in enumerate((test * 3).splitlines()))
    proposal, _ = proposed("id,time_s,load_w\n" + person)
    assert proposal.fmt.time.column == "time_s"
    assert any("'time_s' falls 2 times: are several tests in this file?" in d for d in proposal.doubts)


def test_double_and_odd_names_are_given_by_number(proposed: Any) -> None:
    proposal, samples = proposed('"time, s",W,W\n' + lines("{n},1{s},7"))
    assert proposal.fmt.time.column == "time, s"
    assert proposal.fmt.watts.column == 2
    assert samples[5].watts == 105


def test_utf_16(proposed: Any) -> None:
    proposal, samples = proposed(("t\tW\n" + lines("{n}\t1{s}")).encode("utf-16"))
    assert proposal.fmt.encoding == "utf-16"
    assert samples[5].watts == 105


HOPELESS: list[tuple[str | bytes, str]] = [
    (b"", "is empty, a log is wanted"),
    (b"\x7fELF\0\0\0", "is binary or not in utf-8"),
    ("time,watts\n", "holds a header and no line, so nothing can be told; take a longer log"),
    ("hello\nworld\n", "no delimiter cuts its lines alike, the first is 'hello'; write a format by hand"),
    ("a,b\n" + lines("x,y"), "no column of times can be told among 'a' ('x'), 'b' ('y'); write a format by"),
    ("time,sbp,k4\n09:30,140,\n", "it is a reading sheet, which needs no format; write kind = 'sheet'"),
    ("set,load\n" + lines("{s},2") * 20, "no column of times can be told among 'set' ('00'), 'load' ('2')"),
    ("t,b\n" + lines("{n},y"), "no column with a load, a cadence or a heart rate can be told among"),
]


@pytest.mark.parametrize(("content", "words"), HOPELESS)
def test_what_cannot_be_described_says_what_to_do(proposed: Any, content: str | bytes, words: str) -> None:
    with pytest.raises(InputError) as said:
        proposed(content)
    assert words in str(said.value)
    assert "bike.csv" in str(said.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file, a log file is wanted"):
        propose(tmp_path / "no.csv")


@given(st.one_of(st.text(max_size=200), st.lists(st.sampled_from(list('0;,.:\n\t "x-')), max_size=120)))
def test_any_text_gives_a_format_or_an_error_in_words(tmp_path_factory: Any, text: Any) -> None:
    path = tmp_path_factory.mktemp("log") / "bike.csv"
    path.write_bytes("".join(text).encode())
    with suppress(InputError):
        assert propose(path).toml
