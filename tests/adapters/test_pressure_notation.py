"""The notation of a pressure: every form, every refusal, and the way back."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.pressure_notation import Pressures, parse_k5, parse_pressures, write_pressures
from pipeline.errors import InputError

mmhg = st.integers(0, 400_000).map(lambda thousandths: thousandths / 1000)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("148", Pressures(148)),
        ("148/82", Pressures(148, k5_mmhg=82)),
        ("148/70/0", Pressures(148, k4_mmhg=70, k5_mmhg=0)),
        ("148/70/<40", Pressures(148, k4_mmhg=70, heard_to_mmhg=40)),
        ("148/<40", Pressures(148, heard_to_mmhg=40)),
        ("148/70/-", Pressures(148, k4_mmhg=70)),
        (">200/82", Pressures(200, k1_at_least=True, k5_mmhg=82)),
        (">=200", Pressures(200, k1_at_least=True)),
        ("≥200/<=40", Pressures(200, k1_at_least=True, heard_to_mmhg=40)),
        (" 148 / 82 ", Pressures(148, k5_mmhg=82)),
        ("147,5/81.5", Pressures(147.5, k5_mmhg=81.5)),
        ("82/148", Pressures(82, k5_mmhg=148)),  # wrong order is kept; order_problem says it
    ],
)
def test_forms(text: str, wanted: Pressures) -> None:
    assert parse_pressures(text) == wanted


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "'' is no pressure; write 148/82"),
        ("/82", "'/82' is no pressure"),
        ("148/70/0/5", "'148/70/0/5' is no pressure; write 148/82, 148/70/0, 148/70/<40 or >200/82"),
        ("148/", "'' is no pressure in mmHg; write a number, or 148/82"),
        ("148/-", "'-' is no pressure in mmHg"),
        ("14o/82", "'14o' is no pressure in mmHg"),
        ("nan", "'nan' is no pressure in mmHg"),
        ("-148", "'-148' is no pressure in mmHg"),
        ("1e2", "'1e2' is no pressure in mmHg"),
        ("١٤٨", "is no pressure in mmHg"),  # digits of another script
        ("<148/82", "'<148' is no pressure in mmHg"),
        ("148/>82", "'>82' is no pressure in mmHg"),
        ("1482", "1482 mmHg is more than a dial shows; wanted 0 to 400"),
    ],
)
def test_refusals(text: str, said: str) -> None:
    with pytest.raises(InputError) as error:
        parse_pressures(text)
    assert said in str(error.value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("148/70/0", None),
        ("148/70/70", None),
        ("148", None),
        ("148/150", "k5 150 is not below k1 148"),
        ("148/148", "k5 148 is not below k1 148"),
        ("148/150/60", "k4 150 is not below k1 148"),
        ("148/60/70", "k5 70 is above k4 60"),
        ("148/<150", "heard to 150 is not below k1 148"),
        ("148/30/<40", "heard to 40 is above k4 30"),
    ],
)
def test_order(text: str, said: str | None) -> None:
    assert parse_pressures(text).order_problem() == said


def test_lower_end_alone() -> None:
    assert parse_k5("82") == (82.0, None)
    assert parse_k5("<40") == (None, 40.0)


@given(
    k1=mmhg,
    at_least=st.booleans(),
    k4=st.none() | mmhg,
    k5=st.none() | mmhg,
    heard_to=st.none() | mmhg,
)
def test_what_is_written_is_read_back(
    k1: float, at_least: bool, k4: float | None, k5: float | None, heard_to: float | None
) -> None:
    pressures = Pressures(k1, at_least, k4, k5, None if k5 is not None else heard_to)
    assert parse_pressures(write_pressures(pressures)) == pressures


@given(st.text(max_size=12))
def test_any_text_is_read_or_refused(text: str) -> None:
    with suppress(InputError):
        assert 0 <= parse_pressures(text).k1_mmhg <= 400
