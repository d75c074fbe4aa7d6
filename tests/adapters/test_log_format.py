"""Log formats as a person writes them, and single lines read by them."""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, datetime, timedelta, timezone
from functools import reduce
from operator import xor
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.base import Rejected, kept_text, line_rejected
from adapters.log_format import PLAIN, TIME_FORMS, LogFormat, format_digest, load_format, parse_format
from adapters.log_line import LineReader
from pipeline.errors import InputError

FORMATS = Path(__file__).parents[2] / "fixtures" / "formats"
CET = timezone(timedelta(hours=1))
STARTED = datetime(2026, 3, 14, 9, 30, tzinfo=CET)
TIME = {"column": 1, "form": "iso8601"}


def written(**keys: Any) -> dict[str, Any]:
    """A usable headerless format: time, load; what a test is about comes on top."""
    base: dict[str, Any] = {"delimiter": ",", "header": False, "time": TIME, "watts": {"column": 2}}
    return {key: value for key, value in (base | keys).items() if value is not None}


def fmt(**keys: Any) -> LogFormat:
    return parse_format(written(**keys), "format.toml")


def reader(start: datetime | None = STARTED, **keys: Any) -> LineReader:
    return LineReader(fmt(**keys), start=start)


def at(form: str, *cells: str, start: datetime | None = STARTED, **keys: Any) -> list[datetime | None]:
    lines = reader(start=start, delimiter=";", time={"column": 1, "form": form}, **keys)
    return [lines.read(f"{cell};100").time for cell in cells]


# formats


@pytest.mark.parametrize("path", sorted(FORMATS.glob("*.toml")), ids=lambda path: path.stem)
def test_shipped_formats_load(path: Path) -> None:
    assert load_format(path).name


def test_the_shipped_plain_format_is_the_default() -> None:
    assert load_format(FORMATS / "plain.toml") == PLAIN
    assert format_digest(load_format(FORMATS / "plain.toml")) == format_digest(PLAIN)


def test_digest_tells_formats_apart_and_ignores_written_defaults() -> None:
    assert format_digest(fmt()) == format_digest(fmt(decimal_comma=False, comment="#"))
    assert format_digest(fmt()) != format_digest(fmt(watts={"column": 2, "unit": "kgm/min"}))
    assert len(format_digest(fmt())) == 16


def test_example_line_of_the_semicolon_format() -> None:
    described = load_format(FORMATS / "friction_brake_semicolon.toml")
    lines = LineReader(described, header="Zeit;Kraft [kp];Drehzahl;RR [ms]", start=STARTED)
    line = lines.read("09:30:00,5;2,5;60;512")
    assert line.time == datetime(2026, 3, 14, 8, 30, 0, 500000, tzinfo=UTC)
    # 2.5 kp * 9.80665 N/kp * 6 m * 60 / 60 s
    assert line.watts == pytest.approx(147.09975, abs=1e-9)
    assert line.cadence_rpm == 60
    assert line.heart_rate_bpm == pytest.approx(117.1875)  # 60000 / 512
    assert lines.measures_text == "watts,cadence_rpm,heart_rate_bpm:rr"


def test_example_line_of_the_polled_format() -> None:
    described = load_format(FORMATS / "polled_line.toml")
    line = LineReader(described).read("$P,120,60*65")
    assert line == (None, 120.0, 60.0, None, None)
    assert described.poll is not None
    assert described.poll.command.encode("latin-1") == b"P?\r"
    assert described.line_ending == "\r\n"


WRONG: list[tuple[dict[str, Any], str]] = [
    ({"watts": {"colum": 2}}, "watts.colum: unknown key; did you mean 'column'?"),
    ({"delimeter": ","}, "delimeter: unknown key; did you mean 'delimiter'?"),
    ({"watts": {"column": 2, "unit": "hp"}}, "watts.unit = 'hp': should be 'W', 'kgm/min' or 'kp'"),
    ({"cadence_rpm": {"column": 3, "unit": "Hz"}}, "cadence_rpm.unit = 'Hz': should be 'rpm'"),
    ({"heart_rate_bpm": {"column": 3, "unit": "s"}}, "heart_rate_bpm.unit = 's': should be 'bpm' or 'ms'"),
    ({"time": {"column": 1, "form": "iso"}}, "time.form = 'iso': should be 'iso8601'"),
    ({"time": None}, "time is missing; write it"),
    ({"time": "clock"}, "time = 'clock': a table is wanted; write [time]"),
    ({"time": {"form": "clock"}}, "a form needs its column"),
    ({"time": {"column": 1, "form": "none"}}, "form 'none' has no column"),
    ({"watts": {"column": 0}}, "watts.column = 0: a column is wanted"),
    ({"watts": {"column": " "}}, "watts.column = ' ': a column is wanted"),
    ({"watts": {"column": True}}, "watts.column = True: a column is wanted"),
    ({"watts": {"column": "load"}}, "watts.column = 'load': without a header write the column's number"),
    ({"watts": None}, "no measure; write at least one of [watts], [cadence_rpm], [heart_rate_bpm]"),
    ({"watts": {"column": 2, "unit": "kp"}}, "unit kp needs metres_per_rev"),
    ({"watts": {"column": 2, "unit": "kp", "metres_per_rev": 6}}, "kp needs a cadence; write cadence_column"),
    ({"watts": {"column": 2, "metres_per_rev": 6}}, "belong to unit kp, not W; take them out"),
    (
        {"watts": {"column": 2, "unit": "kp", "metres_per_rev": 6, "cadence_column": 3, "rpm": 60}},
        "cadence_column and rpm are both written; keep one",
    ),
    ({"delimiter": None}, "delimiter or regex is wanted, one of the two"),
    ({"regex": "(.*)"}, "delimiter or regex is wanted, one of the two"),
    ({"delimiter": "::"}, "delimiter = '::': one character, 'tab' or 'space' is wanted"),
    ({"decimal_comma": True}, "decimal_comma: the delimiter is a comma as well"),
    ({"delimiter": None, "header": None, "regex": "(a"}, "regex cannot be used"),
    ({"delimiter": None, "regex": "(.),(.)", "header": True}, "skip the header with skip_lines"),
    ({"delimiter": None, "header": None, "regex": "(?P<t>.*)"}, "watts.column = 2 is no group of the regex"),
    ({"encoding": "utf-9"}, "encoding = 'utf-9': no such encoding"),
    ({"encoding": "base64"}, "encoding = 'base64': no such encoding"),
    ({"checksum": {"kind": "crc", "separator": "*"}}, "checksum.kind = 'crc': should be 'xor' or 'sum8'"),
    ({"checksum": {"kind": "xor", "separator": ""}}, "checksum.separator = ''"),
    ({"poll": {"command": "€"}}, "poll.command = '€'"),
    ({"poll": {"command": "P", "every_s": 0}}, "poll.every_s = 0"),
    ({"skip_lines": -1}, "skip_lines = -1"),
    ({"columns": 0}, "columns = 0"),
    ({"line_ending": "x"}, "line_ending = 'x'"),
]


@pytest.mark.parametrize(("keys", "words"), WRONG, ids=lambda value: value if isinstance(value, str) else "")
def test_what_is_wrong_is_said_with_file_and_key(keys: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError) as said:
        parse_format(written(**keys), "bike.toml")
    assert words in str(said.value)
    assert str(said.value).startswith("bike.toml: ")


def test_everything_wrong_is_said_at_once() -> None:
    with pytest.raises(InputError) as said:
        parse_format(written(comma=1, watts={"column": 2, "unit": "hp"}), "bike.toml")
    assert len(str(said.value).splitlines()) == 2


def test_a_format_file_that_is_not_there_or_no_toml(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file, a log format file is wanted; `cuffwatt describe"):
        load_format(tmp_path / "bike.toml")
    broken = tmp_path / "broken.toml"
    broken.write_text("delimiter = ;\n")
    with pytest.raises(InputError, match=r"broken\.toml"):
        load_format(broken)


# times


def test_iso_times_with_and_without_an_offset() -> None:
    want = datetime(2026, 3, 14, 8, 30, 0, 250000, tzinfo=UTC)
    cells = ("2026-03-14T09:30:00.25+01:00", "2026-03-14 08:30:00.250Z", "2026-03-14T09:30:00.25")
    assert at("iso8601", *cells) == [want] * 3


def test_iso_time_without_offset_needs_the_start() -> None:
    assert at("iso8601", "2026-03-14T08:30:00Z", start=None) == [STARTED]
    with pytest.raises(Rejected, match="has no offset and the start of the test is not known; write started"):
        at("iso8601", "2026-03-14T08:30:00", start=None)


def test_other_forms_give_the_same_moment() -> None:
    # 2026-03-14T08:30:00Z is day 20526 since 1970: 20526 * 86400 + 8.5 * 3600 s
    want = [datetime(2026, 3, 14, 8, 30, 12, 500000, tzinfo=UTC)]
    assert at("epoch_s", str(20526 * 86400 + 30600 + 12.5)) == want
    assert at("epoch_ms", str((20526 * 86400 + 30600) * 1000 + 12500)) == want
    assert at("elapsed_s", "12.5") == want
    assert at("elapsed_s", "12,5", decimal_comma=True) == want
    assert at("elapsed_ms", "12500") == want
    assert at("elapsed_clock", "0:00:12.5") == at("elapsed_clock", "00:12,5") == want
    assert at("day_first", "14.03.2026 09:30:12.5") == at("month_first", "3/14/2026 9:30:12.5") == want
    assert at("clock", "09:30:12,5") == want


def test_elapsed_clock_counts_beyond_an_hour_of_minutes_and_a_day_of_hours() -> None:
    hour = timedelta(hours=1)
    assert at("elapsed_clock", "75:30", "25:00:00") == [STARTED + 1.25 * hour + timedelta(seconds=30),
                                                        STARTED + 25 * hour]  # fmt: skip


def test_clock_goes_on_to_the_next_day_and_back_to_the_one_before() -> None:
    evening = datetime(2026, 3, 14, 23, 50, tzinfo=CET)
    day, night = datetime(2026, 3, 14, tzinfo=CET), datetime(2026, 3, 15, tzinfo=CET)
    assert at("clock", "23:59:59", "00:00:00", "00:00:01", "01:00", start=evening) == [
        day + timedelta(hours=23, minutes=59, seconds=59),
        night,
        night + timedelta(seconds=1),
        night + timedelta(hours=1),
    ]
    # a log that began before midnight of a test noted as started after it
    assert at("clock", "23:59:00", start=night) == [night - timedelta(minutes=1)]
    # set back by ten minutes: a step back, not a day forward
    assert at("clock", "00:05:00", "23:55:00", start=evening)[1] == night - timedelta(minutes=5)


def test_one_wrong_clock_time_does_not_move_those_after_it() -> None:
    right = STARTED + timedelta(seconds=1)
    for wrong in ("23:30:00", "20:59:00", "00:00:00", "16:00:00"):
        assert at("clock", "09:30:00", wrong, "09:30:01")[2] == right


OF_ANOTHER_FORM = [
    ("iso8601", "09:30:00"),
    ("iso8601", "2026-03-14"),
    ("iso8601", "1773477000.5"),
    ("iso8601", "14.03.2026 09:30:00"),
    ("day_first", "2026-03-14T09:30:00"),
    ("day_first", "3/14/2026 09:30:00"),
    ("month_first", "14.03.2026 09:30:00"),
    ("epoch_s", "2026-03-14T09:30:00Z"),
    ("epoch_s", "1773477000000000"),
    ("epoch_s", "nan"),
    ("epoch_ms", "1e300"),
    ("elapsed_s", "0:12"),
    ("elapsed_s", "1_0"),
    ("elapsed_ms", "inf"),
    ("elapsed_clock", "12.5"),
    ("elapsed_clock", "0:60:00"),
    ("elapsed_clock", "0:00:60"),
    ("elapsed_clock", "9" * 30 + ":00:00"),
    ("clock", "24:00:00"),
    ("clock", "9:60"),
    ("clock", "12.5"),
]


@pytest.mark.parametrize(("form", "cell"), OF_ANOTHER_FORM)
def test_a_time_of_another_form_is_rejected_naming_the_form(form: str, cell: str) -> None:
    with pytest.raises(Rejected) as said:
        at(form, cell)
    assert f"time {cell!r} is not of the form {form} ({TIME_FORMS[form]})" == str(said.value)


@pytest.mark.parametrize(
    "form", ["elapsed_s", "elapsed_ms", "elapsed_clock", "clock", "day_first", "month_first"]
)
def test_forms_that_need_the_start_say_so(form: str) -> None:
    with pytest.raises(InputError, match=f"of the form {form} need the start of the test; write started"):
        at(form, "0", start=None)


def test_a_start_without_offset_is_refused() -> None:
    with pytest.raises(InputError, match="2026-03-14T09:30:00 has no offset; write one like"):
        at("clock", "09:30", start=STARTED.replace(tzinfo=None))


@given(st.datetimes(datetime(1980, 1, 1), datetime(2100, 1, 1)), st.integers(-12 * 60, 14 * 60))  # noqa: DTZ001
def test_iso_times_come_back_as_they_were(moment: datetime, offset_minutes: int) -> None:
    zoned = moment.replace(tzinfo=timezone(timedelta(minutes=offset_minutes)))
    assert at("iso8601", zoned.isoformat(), start=None) == [zoned]


@given(st.integers(0, 10**9))
def test_elapsed_milliseconds_are_exact(elapsed_ms: int) -> None:
    want = [STARTED + timedelta(milliseconds=elapsed_ms)]
    seconds = f"{elapsed_ms // 1000}.{elapsed_ms % 1000:03d}"
    clock = f"{elapsed_ms // 3600000}:{elapsed_ms // 60000 % 60:02d}:{elapsed_ms // 1000 % 60:02d}"
    assert at("elapsed_s", seconds) == at("elapsed_ms", str(elapsed_ms)) == want
    assert at("elapsed_clock", f"{clock}.{elapsed_ms % 1000:03d}") == want


# columns


def test_columns_by_name_in_any_order_and_case() -> None:
    named = fmt(header=True, time={"column": "Time", "form": "iso8601"}, watts={"column": "Power"})
    lines = LineReader(named, header=' POWER ,"Time",x')
    assert lines.read('120,"2026-03-14T08:30:00Z",?') == (STARTED, 120.0, None, None, None)


def test_plain_header_may_lack_measures() -> None:
    lines = LineReader(PLAIN, header="time,heart_rate_bpm")
    assert lines.measures == ("heart_rate_bpm",)
    assert lines.read("2026-03-14T08:30:00Z,118").heart_rate_bpm == 118


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("time,watts,Watts", None),
        ("zeit,watts", "no column 'time'; found are 'zeit', 'watts'; correct time.column in the format"),
        ("tme,watts", "no column 'time'; did you mean 'tme'?; found are"),
        ("time;watts", "the header is not cut by ','; is it delimiter = ';'?"),
        ("time\twatts", "is it delimiter = 'tab'?"),
        ("time,watts,watts", "watts.column = 'watts' stands 2 times in the header"),
        ("time,load", "no column with a measure; wanted is one of 'watts', 'cadence_rpm', 'heart_rate_bpm'"),
        ('time,"watts', "a quote is opened and not closed"),
    ],
)
def test_columns_that_are_not_in_the_header(header: str, words: str | None) -> None:
    if words is None:
        assert LineReader(PLAIN, header=header).measures == ("watts",)
        return
    with pytest.raises(InputError) as said:
        LineReader(PLAIN, header=header)
    assert words in str(said.value)


def test_a_numbered_column_beyond_the_header_and_a_header_that_did_not_come() -> None:
    with pytest.raises(InputError, match=r"no column 2; found are 'time'; correct watts\.column"):
        LineReader(fmt(header=True), header="time")
    with pytest.raises(InputError, match="the format has a header and none came; write header = false"):
        LineReader(fmt(header=True))


def test_regular_expression_with_named_and_numbered_groups() -> None:
    lines = reader(
        delimiter=None,
        header=None,
        regex=r"\[(?P<t>[^]]+)\] load=([0-9.]+)W(?: rpm=(?P<turns>[0-9]+))?",
        time={"column": "t", "form": "clock"},
        watts={"column": 2},
        cadence_rpm={"column": "turns"},
    )
    assert lines.read("[09:30:01] load=98.5W rpm=61")[1:3] == (98.5, 61.0)
    assert lines.read("[09:30:02] load=98.5W")[1:3] == (98.5, None)
    with pytest.raises(Rejected, match="does not match the regular expression"):
        lines.read("[09:30:03] load=98.5")


REJECTED = [
    ("2026-03-14T08:30:00Z", "1 cell where 3 are wanted"),
    ("2026-03-14T08:30:00Z,100", "2 cells where 3 are wanted"),
    ("2026-03-14T08:30:00Z,100,60,7", "4 cells where 3 are wanted"),
    ('2026-03-14T08:30:00Z,"100,60', "a quote is opened and not closed"),
    ("2026-03-14T08:30:00Z,,-", "no value for watts or cadence_rpm"),
    ("2026-03-14T08:30:00Z,x,NA", "watts: 'x' is no number (with decimal point)"),
    ("2026-03-14T08:30:00Z,\0,60", "holds NUL bytes"),
]


@pytest.mark.parametrize(("line", "reason"), REJECTED)
def test_lines_that_cannot_be_used(line: str, reason: str) -> None:
    with pytest.raises(Rejected) as said:
        reader(columns=3, cadence_rpm={"column": 3}).read(line)
    assert reason in str(said.value)


def test_without_a_count_a_line_needs_the_columns_that_are_wanted() -> None:
    with pytest.raises(Rejected, match="1 cell, but column 2 is wanted"):
        reader().read("2026-03-14T08:30:00Z")
    assert reader().read("2026-03-14T08:30:00Z,100,,,").watts == 100


def test_white_space_and_tabs_as_delimiters() -> None:
    assert reader(delimiter="space").read("  2026-03-14T08:30:00Z   98.5 ").watts == 98.5
    assert reader(delimiter="tab").read("2026-03-14T08:30:00Z\t 98.5").watts == 98.5


def test_one_unreadable_measure_leaves_the_others() -> None:
    lines = reader(cadence_rpm={"column": 3}, heart_rate_bpm={"column": 4})
    line = lines.read("2026-03-14T08:30:00Z,120,6o,118")
    assert line[1:4] == (120.0, None, 118.0)
    assert line.problem == "cadence_rpm: '6o' is no number (with decimal point)"


@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "1e999", "1_0", "12,5", "0x1F"])
def test_what_float_takes_and_no_device_means_is_no_number(text: str) -> None:
    with pytest.raises(Rejected, match="is no number"):
        reader(delimiter=";").read(f"2026-03-14T08:30:00Z;{text}")


def test_decimal_comma_takes_no_point() -> None:
    lines = reader(delimiter=";", decimal_comma=True)
    assert lines.read("2026-03-14T08:30:00Z;98,5").watts == 98.5
    for text in ("98.5", "1.098,5"):
        with pytest.raises(Rejected, match="is no number \\(with decimal comma\\)"):
            lines.read(f"2026-03-14T08:30:00Z;{text}")


def test_missing_markers_are_configurable_even_numbers() -> None:
    lines = reader(missing=["-1"], cadence_rpm={"column": 3})
    assert lines.read("2026-03-14T08:30:00Z,-1,60")[1:3] == (None, 60.0)
    assert lines.read("2026-03-14T08:30:00Z,NA,60").problem is not None


def test_values_out_of_range_are_kept() -> None:
    lines = reader(heart_rate_bpm={"column": 3})
    assert lines.read("2026-03-14T08:30:00Z,99999,-3")[1:4] == (99999.0, None, -3.0)


# units (against another implementation: tests/external/test_units.py)


@pytest.mark.parametrize(
    ("keys", "cells", "watts"),
    [
        ({"column": 2, "unit": "kgm/min"}, "600", 98.0665),  # 600 * 9.80665 / 60
        (
            {"column": 2, "unit": "kp", "metres_per_rev": 6, "rpm": 50},
            "2",
            98.0665,
        ),  # 2 * 9.80665 * 6 * 50 / 60
        ({"column": 2, "unit": "kp", "metres_per_rev": 3, "cadence_column": 3}, "2,100", 98.0665),
    ],
)
def test_loads_convert_exactly(keys: dict[str, Any], cells: str, watts: float) -> None:
    assert reader(watts=keys).read(f"2026-03-14T08:30:00Z,{cells}").watts == pytest.approx(watts, rel=1e-12)


def test_kp_takes_the_cadence_column_of_the_log_and_no_load_without_it() -> None:
    kp = {"column": 2, "unit": "kp", "metres_per_rev": 6}
    lines = reader(watts=kp, cadence_rpm={"column": 3})
    assert lines.read("2026-03-14T08:30:00Z,2,50")[1:3] == (pytest.approx(98.0665), 50.0)
    with pytest.raises(Rejected, match="watts: 2 kp without a cadence are no load"):
        lines.read("2026-03-14T08:30:00Z,2,-")


@pytest.mark.parametrize("text", ["0", "-500"])
def test_an_rr_interval_that_is_none(text: str) -> None:
    lines = reader(heart_rate_bpm={"column": 3, "unit": "ms"})
    line = lines.read(f"2026-03-14T08:30:00Z,120,{text}")
    assert line.heart_rate_bpm is None
    assert line.problem == f"heart_rate_bpm: an RR interval of {text} ms is none"


def test_numbers_that_a_conversion_makes_too_large() -> None:
    lines = reader(watts={"column": 2, "unit": "kgm/min"}, heart_rate_bpm={"column": 3, "unit": "ms"})
    line = lines.read("2026-03-14T08:30:00Z,1e308,500")
    assert line[1:4] == (None, None, 120.0)
    assert line.problem == "watts: too large to be a number"
    assert lines.read("2026-03-14T08:30:00Z,60,1e-320").problem == "heart_rate_bpm: too large to be a number"


# checksums


def test_checksum_of_the_widespread_example_line() -> None:
    # a GPS sentence printed in many manuals with its checksum, XOR of what is between $ and *
    sentence = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
    keys = {"kind": "xor", "separator": "*", "starts_after": "$"}
    lines = reader(time={"form": "none"}, watts={"column": 8}, checksum=keys)
    assert lines.read(sentence).watts == 8


def test_sums_in_decimal_that_cover_the_separator() -> None:
    keys = {"kind": "sum8", "separator": ";", "covers_separator": True, "written": "decimal"}
    lines = reader(delimiter=";", time={"form": "none"}, watts={"column": 1}, checksum=keys)
    # "1" 49 + "2" 50 + "0" 48 + ";" 59 = 206; ";" is the delimiter, so the sum is a cell as well
    assert lines.read("120;206").watts == 120


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("$120,60*7F", "the checksum is 7F and should be"),
        ("$120,60*zz", "the checksum 'zz' is no hex number"),
        ("$120,60*", "the checksum '' is no hex number"),
        ("$120,60", "no checksum: '*' or '$' is not there"),
        ("120,60*00", "no checksum: '*' or '$' is not there"),
        ("$1é0,60*00", "holds what is no ascii text"),
    ],
)
def test_lines_whose_checksum_is_wrong(line: str, words: str) -> None:
    keys = {"kind": "xor", "separator": "*", "starts_after": "$"}
    lines = reader(time={"form": "none"}, watts={"column": 1}, checksum=keys, encoding="ascii")
    with pytest.raises(Rejected) as said:
        lines.read(line)
    assert words in str(said.value)


@given(st.integers(0, 400), st.integers(0, 120), st.integers(0, 9), st.integers(0, 7))
def test_any_single_flipped_bit_is_noticed(watts: int, rpm: int, place: int, bit: int) -> None:
    body = f"{watts:04d},{rpm:04d}"
    line = f"{body}*{reduce(xor, body.encode()):02X}"
    lines = reader(
        time={"form": "none"},
        watts={"column": 1},
        checksum={"kind": "xor", "separator": "*"},
        encoding="latin-1",
    )
    assert lines.read(line).watts == watts
    place %= len(body)
    damaged = body[:place] + chr(ord(body[place]) ^ 1 << bit) + line[place + 1 :]
    with pytest.raises(Rejected):
        lines.read(damaged)


# the text that is kept


def test_kept_text_can_stand_in_a_journal() -> None:
    assert kept_text("a\0b\udcff") == "a\\x00b\\udcff"
    assert len(kept_text("x" * 5000)) == 2000
    event = line_rejected("\0" * 3000, "y" * 3000, moment=STARTED, source="bike")
    assert (len(event.raw), len(event.reason), event.event_time) == (2000, 2000, STARTED)


@given(st.text(max_size=60))
def test_no_text_makes_a_line_reader_stop(text: str) -> None:
    lines = reader(cadence_rpm={"column": 3})
    for line in (text, f"2026-03-14T08:30:00Z,{text}", f"{text},120,60"):
        with suppress(Rejected):
            lines.read(line)
