"""The known word that somebody probably meant."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches


def nearest(word: str, known: Iterable[str]) -> str:
    """`; did you mean 'x'?` for the known word nearest to `word`, or nothing."""
    close = get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f"; did you mean {close[0]!r}?" if close else ""
