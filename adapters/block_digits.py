"""Numbers in blocks, to be read from two metres."""

from __future__ import annotations

from typing import Literal

Scale = Literal["low", "tall", "huge"]
_GLYPHS = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": ("  #", "  #", "  #", "  #", "  #"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", "###", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", "  #", "  #", "  #"),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
    ":": (" ", "#", " ", "#", " "),
    "-": ("   ", "   ", "###", "   ", "   "),
    " ": (" ", " ", " ", " ", " "),
}
_HALVES = {(" ", " "): " ", ("#", " "): "▀", (" ", "#"): "▄", ("#", "#"): "█"}


def block_digits(text: str, scale: Scale = "tall") -> list[str]:
    """`text` (digits, colon, minus) as rows of one width: low 3 rows, tall 5, huge 10."""
    rows = [" ".join(parts) for parts in zip(*(_GLYPHS[sign] for sign in text), strict=True)]
    if scale == "low":
        padded = [*rows, " " * len(rows[0])]
        return [
            "".join(_HALVES[pair] for pair in zip(upper, lower, strict=True))
            for upper, lower in zip(padded[::2], padded[1::2], strict=True)
        ]
    wide = 2 if scale == "tall" else 4
    drawn = ["".join(("█" if dot == "#" else " ") * wide for dot in row) for row in rows]
    return drawn if scale == "tall" else [row for row in drawn for _ in range(2)]
