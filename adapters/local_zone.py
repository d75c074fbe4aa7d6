"""The time zone where the machine stands, by its name."""

from __future__ import annotations

import os
from pathlib import Path
from zoneinfo import ZoneInfo

LOCALTIME = Path("/etc/localtime")


def local_zone(environment: str | None = None, localtime: Path = LOCALTIME) -> str:
    """Like Europe/Berlin: what TZ says (`environment`), else what `localtime` points to, else UTC.

    A name, because only a name can be journalled and hold when the test is read elsewhere.
    """
    given = os.environ.get("TZ", "") if environment is None else environment
    pointed = str(localtime.resolve()).partition("/zoneinfo/")[2]
    for name in (given.removeprefix(":"), pointed):
        if name and _is_known(name):
            return name
    return "UTC"


def _is_known(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ValueError, OSError, LookupError):
        return False
    return True
