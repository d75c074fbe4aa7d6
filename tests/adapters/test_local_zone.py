"""The zone of the machine, by its name."""

from __future__ import annotations

from pathlib import Path

import pytest

from adapters.local_zone import local_zone


@pytest.mark.parametrize(
    ("environment", "points_to", "name"),
    [
        ("", "zoneinfo/Europe/Berlin", "Europe/Berlin"),
        ("America/Lima", "zoneinfo/Europe/Berlin", "America/Lima"),
        (":Asia/Tokyo", None, "Asia/Tokyo"),
        ("CET-1CEST", "zoneinfo/Europe/Berlin", "Europe/Berlin"),  # a rule, no name
        ("", "zoneinfo/Nowhere/Atall", "UTC"),
        ("", None, "UTC"),
        ("../etc", None, "UTC"),
    ],
)
def test_a_name_from_tz_then_from_the_system_then_utc(
    tmp_path: Path, environment: str, points_to: str | None, name: str
) -> None:
    localtime = tmp_path / "localtime"
    if points_to is not None:
        (tmp_path / points_to).parent.mkdir(parents=True)
        (tmp_path / points_to).touch()
        localtime.symlink_to(tmp_path / points_to)
    assert local_zone(environment, localtime) == name
