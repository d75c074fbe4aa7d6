"""Keys: what the bytes of a terminal say, and what single keys stand for during a test."""

from __future__ import annotations

import codecs
import re

_SEQUENCES = {
    "f1": ("OP", "[11~", "[[A"), "f2": ("OQ", "[12~", "[[B"), "f3": ("OR", "[13~", "[[C"),
    "f4": ("OS", "[14~", "[[D"), "f5": ("[15~", "[[E"), "f6": ("[17~",), "f7": ("[18~",), "f8": ("[19~",),
    "f9": ("[20~",), "f10": ("[21~",), "f11": ("[23~",), "f12": ("[24~",),
}  # fmt: skip
_NAMES = {f"\x1b{sequence}": name for name, sequences in _SEQUENCES.items() for sequence in sequences}
_SINGLE = {
    "\r": "enter", "\n": "enter", "\x7f": "back", "\b": "back", "\x03": "ctrl-c", "\x15": "ctrl-u",
    "\x0c": "ctrl-l", "\x04": "ctrl-d",
}  # fmt: skip
_WHOLE = re.compile(r"\x1b(?:\[\[[A-E]|\[[0-9;?]*[@-Z\\-~]|O[ -~])")
_PART = re.compile(r"\x1b(?:\[\[?[0-9;?]*|O)?")

SAID_BY_KEY = {
    "f1": "symptom chest_pain", "f2": "symptom breathless", "f3": "symptom dizzy", "f4": "symptom faint",
    "f5": "symptom pale_or_cold", "f6": "symptom unsteady", "f7": "symptom palpitations",
    "f8": "symptom leg_pain", "f9": "sign arrhythmia", "f10": "sign st_change", "f11": "sign desaturation",
}  # fmt: skip
"""What one key notes at once; the rest is typed, like `symptom nausea` or `sign cyanosis`."""
STOP_KEY = "f12"
STOP_REASONS = {
    "e": "exhaustion", "c": "cadence_lost", "l": "leg_fatigue", "b": "breathless", "y": "symptom",
    "g": "sign", "p": "sbp_limit", "f": "sbp_fall", "h": "hr_limit", "r": "rpe_limit",
    "w": "participant_wish", "s": "staff_decision", "q": "equipment", "d": "protocol_complete", "o": "other",
}  # fmt: skip
"""After F12, one key for why it is stopped."""


class Keyboard:
    """Cuts what a terminal sends into keys: single characters and names like "enter", "esc", "f3"."""

    def __init__(self) -> None:
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")
        self._text = ""

    def feed(self, data: bytes) -> list[str]:
        """The keys that are whole after `data`; keys that mean nothing here are left out."""
        self._text += self._decoder.decode(data)
        keys: list[str] = []
        while self._text:
            if self._text[0] != "\x1b":
                key, self._text = _SINGLE.get(self._text[0], self._text[0]), self._text[1:]
                if len(key) > 1 or key.isprintable():
                    keys.append(key)
            elif _PART.fullmatch(self._text):
                break
            elif (whole := _WHOLE.match(self._text)) is not None:
                self._text = self._text[whole.end() :]
                if whole[0] in _NAMES:
                    keys.append(_NAMES[whole[0]])
            else:
                keys.append("esc")
                self._text = self._text[1:]
        return keys

    @property
    def begun(self) -> bool:
        """Whether what came so far may be the beginning of a key."""
        return bool(self._text)

    def pause(self) -> list[str]:
        """Nothing more came for a moment: what looked like a beginning was the key Esc."""
        begun, self._text = self._text, ""
        return ["esc"] if begun else []
