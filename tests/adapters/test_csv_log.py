"""Log files as devices leave them: whole, odd, damaged."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.csv_log import _longest_rising, read_log
from adapters.log_format import PLAIN, LogFormat, format_digest, parse_format
from pipeline.errors import InputError
from pipeline.events import EVENT, LineRejected, Sample, SourceLog

T0 = datetime(2026, 3, 14, 8, 30, tzinfo=UTC)
STARTED = datetime(2026, 3, 14, 9, 30, tzinfo=timezone(timedelta(hours=1)))
HEADER = "time,watts,cadence_rpm,heart_rate_bpm\n"


def row(second: float, watts: Any = 100, cadence: Any = 60, heart: Any = 120) -> str:
    return f"{(T0 + timedelta(seconds=second)).isoformat()},{watts},{cadence},{heart}\n"


def fmt(**keys: Any) -> LogFormat:
    base = {
        "delimiter": ",",
        "time": {"column": "time", "form": "iso8601"},
        "watts": {"column": "watts"},
    }
    return parse_format({k: v for k, v in (base | keys).items() if v is not None}, "format.toml")


@pytest.fixture
def log(tmp_path: Path) -> Any:
    """Write a log and read it: text or bytes, then what `read_log` takes."""

    def read(content: str | bytes, *args: Any, **keys: Any) -> SourceLog:
        path = tmp_path / "bike.csv"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return read_log(path, *args, name="bike", **keys)

    return read


def samples(source: SourceLog) -> list[Sample]:
    return [event for event in source.events if isinstance(event, Sample)]


def rejected(source: SourceLog) -> list[LineRejected]:
    return [event for event in source.events if isinstance(event, LineRejected)]


def seconds(source: SourceLog) -> list[float]:
    return [(event.event_time - T0).total_seconds() for event in samples(source)]


def test_a_plain_log_in_file_order(log: Any) -> None:
    source = log(HEADER + row(0, 50) + row(1, 51, "", 121.5))
    assert source.opened.model_dump(exclude_none=True) == {
        "kind": "source_opened",
        "event_time": "2026-03-14T08:30:00.000000Z",
        "source": "bike",
        "name": "bike",
        "adapter": "csv_log",
        "format_digest": format_digest(PLAIN),
        "measures": "watts,cadence_rpm,heart_rate_bpm",
        "clock_offset_s": 0.0,
        "clock_method": "none",
    }
    assert [(e.event_time, e.watts, e.cadence_rpm, e.heart_rate_bpm) for e in source.events] == [
        (T0, 50.0, 60.0, 120.0),
        (T0 + timedelta(seconds=1), 51.0, None, 121.5),
    ]
    assert all(event.source == "bike" for event in source.events)


def test_what_the_caller_knows_is_passed_on_and_times_are_not_shifted(log: Any) -> None:
    source = log(
        HEADER + row(0), ranks="watts=1", clock_offset_s=-12.5, clock_method="given", align_to=STARTED
    )
    assert (source.opened.ranks, source.opened.clock_offset_s, source.opened.clock_method) == (
        "watts=1",
        -12.5,
        "given",
    )
    assert source.align_to == STARTED
    assert seconds(source) == [0]


def test_a_log_has_ranks_only_for_what_it_measures(log: Any) -> None:
    source = log(f"time,heart_rate_bpm\n{T0.isoformat()},120\n", ranks="watts=1,heart_rate_bpm=2")
    assert source.opened.ranks == "heart_rate_bpm=2"


def test_rr_intervals_are_marked(log: Any) -> None:
    source = log("time,rr\n" + f"{T0.isoformat()},500\n",
                 fmt(watts=None, heart_rate_bpm={"column": "rr", "unit": "ms"}))  # fmt: skip
    assert source.opened.measures == "heart_rate_bpm:rr"
    assert samples(source)[0].heart_rate_bpm == 120


def test_elapsed_times_count_from_the_start(log: Any) -> None:
    elapsed = fmt(time={"column": "time", "form": "elapsed_s"})
    source = log("time,watts\n0,50\n1.5,51\n", elapsed, started=STARTED)
    assert seconds(source) == [0, 1.5]
    assert source.opened.event_time == STARTED
    with pytest.raises(InputError, match=r"bike\.csv: times of the form elapsed_s need the start"):
        log("time,watts\n0,50\n", elapsed)


def test_semicolons_decimal_commas_preamble_and_remarks(log: Any) -> None:
    text = "Gerät: Beispiel\nNr 7\n# time;watts\n\ntime;watts;\n09:30:00,5;98,5;\n# a\n09:30:01;99\n"
    semicolon = fmt(
        delimiter=";",
        decimal_comma=True,
        skip_lines=2,
        encoding="cp1252",
        time={"column": "time", "form": "clock"},
    )
    source = log(text.replace("\n", "\r\n").encode("cp1252"), semicolon, started=STARTED)
    assert seconds(source) == [0.5, 1]
    assert [event.watts for event in samples(source)] == [98.5, 99]
    assert not rejected(source)


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_endings_and_encodings(log: Any, ending: str, encoding: str) -> None:
    text = (HEADER + row(0) + row(1)).replace("\n", ending)
    said = fmt(encoding="utf-8" if encoding.startswith("utf-8") else encoding)
    assert seconds(log(text.encode(encoding), said)) == [0, 1]


# lines that cannot be used


def test_bad_lines_are_kept_in_place_with_text_reason_and_the_last_good_time(log: Any) -> None:
    source = log(HEADER + "rubbish\n" + row(0) + "2026-03-14 12:00,1,2\n" + row(1) + row(2, "abc"))
    kinds = [event.kind for event in source.events]
    assert kinds == ["line_rejected", "sample", "line_rejected", "sample", "sample", "line_rejected"]
    first, second, third = rejected(source)
    assert (first.raw, first.reason) == ("rubbish", "line 2: 1 cell where 4 are wanted")
    assert first.event_time == T0
    assert second.event_time == T0
    assert third.reason == "line 6: watts: 'abc' is no number (with decimal point)"
    assert third.raw == row(2, "abc").strip()
    assert (samples(source)[2].watts, samples(source)[2].heart_rate_bpm) == (None, 120)


def test_before_the_first_good_line_the_start_is_the_time(log: Any) -> None:
    source = log(HEADER + "rubbish\n" + row(5), started=STARTED)
    assert rejected(source)[0].event_time == STARTED


def test_bytes_that_are_no_text_and_long_lines(log: Any) -> None:
    source = log(
        HEADER.encode()
        + row(0).encode()
        + b"2026-03-14T08:30:01Z,\xff1,60,120\n"
        + b"x" * 5000
        + b"\n"
        + row(2).encode()
        + b"\0\0\0\n"
    )
    assert seconds(source) == [0, 2]
    undecoded, long, nul = rejected(source)
    assert undecoded.raw == "2026-03-14T08:30:01Z,\\xff1,60,120"
    assert undecoded.reason == "line 3: holds what is no utf-8 text"
    assert len(long.raw) == 2000
    assert (nul.raw, nul.reason) == ("\\x00\\x00\\x00", "line 6: holds NUL bytes, as after a loss of power")


def test_the_torn_last_line_is_kept_aside_wherever_it_was_cut(log: Any) -> None:
    whole = HEADER + row(0) + row(1)
    last = row(2, 1234, 60, 118)
    for cut in range(1, len(last)):
        source = log(whole + last[:cut])
        assert seconds(source) == [0, 1]
        assert [event.raw for event in rejected(source)] == [last[:cut].rstrip("\n")]
        assert rejected(source)[0].reason == "line 4: file cut in mid-line: no newline at its end"
    assert seconds(log(whole + last)) == [0, 1, 2]
    assert seconds(log(whole + "# end")) == [0, 1]


def test_nul_bytes_after_a_loss_of_power_cost_nothing(log: Any) -> None:
    rows = "".join(row(n) for n in range(40))  # beyond what tells a binary file
    source = log((HEADER + rows).encode() + b"\0" * 4096)
    assert seconds(source) == list(range(40))
    assert rejected(source)[0].raw == "\\x00" * 500


def test_two_lines_glued_together_are_one_bad_line(log: Any) -> None:
    source = log(HEADER + row(0) + row(1)[:-5] + row(2) + row(3))
    assert seconds(source) == [0, 3]
    assert len(rejected(source)) == 1


def test_times_of_another_form_are_rejected_naming_the_form(log: Any) -> None:
    source = log(
        "time,watts\n2026-03-14T08:30:00Z,1\n1773477001,2\n09:30:02,3\n2026-03-14T08:30:03Z,4\n", fmt()
    )
    assert [event.watts for event in samples(source)] == [1, 4]
    assert all("is not of the form iso8601" in event.reason for event in rejected(source))


# the order of time


def test_a_line_that_runs_backwards_is_rejected_and_equal_stamps_stay(log: Any) -> None:
    source = log(HEADER + row(0) + row(5) + row(5, 101) + row(3) + row(6))
    assert seconds(source) == [0, 5, 5, 6]
    assert rejected(source)[0].reason.startswith(
        "line 5: time runs backwards by 2 s (2026-03-14 08:30:03 UTC); if the device's clock was set, split"
    )
    assert rejected(source)[0].raw == row(3).strip()


def test_one_stamp_far_ahead_costs_one_line(log: Any) -> None:
    source = log(HEADER + row(0) + row(86400) + row(1) + row(2))
    assert seconds(source) == [0, 1, 2]
    assert "line 3: time is ahead of the lines that follow by 86399 s" in rejected(source)[0].reason


def test_a_clock_that_was_set_back_keeps_the_longer_part(log: Any) -> None:
    late, early = [3600 + n for n in range(20)], list(range(10))
    assert seconds(log(HEADER + "".join(map(row, late + early)))) == late
    source = log(HEADER + "".join(map(row, late[:5] + early)))
    assert seconds(source) == early
    assert all("is ahead of the lines that follow" in event.reason for event in rejected(source))


def test_a_clock_set_back_a_little_loses_what_was_logged_twice(log: Any) -> None:
    source = log(HEADER + "".join(row(n) for n in [*range(10), *range(7, 15)]))
    # 9 comes a second time as an equal stamp and stays; 7 and 8 come after 9 had been reached
    assert seconds(source) == [*range(10), *range(9, 15)]
    assert [event.reason[:36] for event in rejected(source)] == [
        "line 12: time runs backwards by 2 s ",
        "line 13: time runs backwards by 1 s ",
    ]


@given(st.lists(st.integers(0, 12), min_size=1, max_size=9))
def test_no_longer_order_could_be_kept(values: list[int]) -> None:
    kept = _longest_rising([T0 + timedelta(seconds=value) for value in values])
    chosen = [value for value, keep in zip(values, kept, strict=True) if keep]
    assert chosen == sorted(chosen)
    # by trying every subset
    longest = max(
        mask.bit_count()
        for mask in range(1, 1 << len(values))
        if (part := [v for n, v in enumerate(values) if mask >> n & 1]) == sorted(part)
    )
    assert len(chosen) == longest


def test_a_long_part_out_of_order_takes_no_long_time(log: Any) -> None:
    text = HEADER + "".join(row(9000 + n) for n in range(3000)) + "".join(row(n) for n in range(2900))
    source = log(text)
    assert len(samples(source)) == 3000
    assert len(rejected(source)) == 2900


# files that cannot be used


def test_files_that_are_none(tmp_path: Path) -> None:
    for path, words in [
        (tmp_path / "no.csv", "no such file, a log file is wanted; correct its path"),
        (tmp_path, "is a folder, a log file is wanted; name the file in it"),
    ]:
        with pytest.raises(InputError, match=words):
            read_log(path, name="bike")
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError, match=r"cannot be read \(Not a directory\); check its permissions"):
        read_log(tmp_path / "file" / "bike.csv", name="bike")


BAD_FILES: list[tuple[str | bytes, str]] = [
    (b"", "is empty, a log is wanted; check what the device wrote"),
    (b"\n\n# nothing\n", "is empty, a log is wanted"),
    (HEADER, "holds a header and no line"),
    (HEADER.strip(), "holds a header and no line"),
    (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "is binary or not in utf-8"),
    (HEADER.encode("utf-16"), "is binary or not in utf-8; export it as text, or correct encoding"),
    ("Zeit,Tätigkeit\n1,2\n".encode("cp1252"), "is no utf-8 text; write its encoding in the format"),
    ("time;watts\n1;2\n", "is it delimiter = ';'?"),
    ("zeit,watts\n1,2\n", "no column 'time'; found are 'zeit', 'watts'"),
    ("time,load\n1,2\n", "no column with a measure"),
    (
        HEADER + "a,b,c,d\ne,f,g,h\n",
        "not one line can be read; the first is line 2, 'a,b,c,d': time 'a' is not",
    ),
    (row(0), "no column 'time'"),
]


@pytest.mark.parametrize(("content", "words"), BAD_FILES)
@pytest.mark.parametrize("started", [None, STARTED])
def test_files_that_cannot_be_used(log: Any, content: str | bytes, words: str, started: Any) -> None:
    with pytest.raises(InputError) as said:
        log(content, started=started)
    assert words in str(said.value)
    assert "bike.csv" in str(said.value)


def test_one_torn_line_is_no_readable_line(log: Any) -> None:
    with pytest.raises(InputError, match=r"not one line can be read.*cut in mid-line.*cuffwatt describe"):
        log(HEADER + row(0).strip())


def test_a_log_in_an_encoding_that_does_not_fit(log: Any) -> None:
    with pytest.raises(InputError, match="is no utf-16 text; write its encoding"):
        log(b"time,watts\n1,22\n ", fmt(encoding="utf-16"))


def test_a_format_without_times_is_for_live_lines(log: Any) -> None:
    live = fmt(time={"form": "none"})
    with pytest.raises(InputError, match="'none' in the format is for lines read live; a log file needs"):
        log("watts\n100\n", live)


# properties


@given(
    st.lists(
        st.tuples(
            st.integers(0, 600000),
            st.one_of(st.none(), st.floats(-20, 2000)),
            st.one_of(st.none(), st.floats(0, 200)),
            st.floats(25, 240),
        ),
        min_size=1,
        max_size=20,
    )
)
def test_what_was_logged_comes_back(tmp_path_factory: Any, lines: list[tuple[int, Any, Any, float]]) -> None:
    path = tmp_path_factory.mktemp("log") / "bike.csv"
    lines.sort(key=lambda line: line[0])
    cells = [[(T0 + timedelta(milliseconds=ms)).isoformat(), *map(repr, rest)] for ms, *rest in lines]
    path.write_text(HEADER + "".join(",".join(c).replace("None", "NA") + "\n" for c in cells))
    events = read_log(path, name="bike").events
    assert [(e.event_time, e.watts, e.cadence_rpm, e.heart_rate_bpm) for e in events] == [
        (T0 + timedelta(milliseconds=ms), *rest) for ms, *rest in lines
    ]


@given(st.binary(max_size=200))
def test_any_bytes_between_good_lines_cost_no_good_line(tmp_path_factory: Any, noise: bytes) -> None:
    path = tmp_path_factory.mktemp("log") / "bike.csv"
    good = "".join(row(n) for n in range(40)).encode()
    path.write_bytes(HEADER.encode() + good + noise + b"\n" + row(50).encode())
    source = read_log(path, name="bike")
    assert [s for s in seconds(source) if s in range(40)] == list(range(40))
    assert seconds(source)[-1] == 50
    for event in (source.opened, *source.events):
        written = event.model_copy(update={"seq": 0, "elapsed_s": 0.0}).model_dump_json()
        assert EVENT.validate_json(written).kind == json.loads(written)["kind"]
