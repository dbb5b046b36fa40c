"""Text that no spreadsheet runs as a formula, and the way back.

A cell whose text begins with = + - @, a tab, a line end or a NUL may be run as a formula by whatever opens the file
(OWASP ASVS 5.0, 1.2.10). Such text gets a leading apostrophe on its way out and loses it on its way in. Apostrophes
that stand before such a beginning count as part of it, so that every text comes back as it was.
"""

import unicodedata

_BEGINNINGS = frozenset("=+-@")
_CONTROLS = frozenset("\t\r\n\0")


def safe_text(text: str) -> str:
    """The text with one leading apostrophe if it would otherwise begin like a formula."""
    return "'" + text if _begins_like_formula(text) else text


def original_text(text: str) -> str:
    """Undo `safe_text`: drop one leading apostrophe that stands before the beginning of a formula."""
    return text[1:] if text.startswith("'") and _begins_like_formula(text[1:]) else text


def _begins_like_formula(text: str) -> bool:
    # Full-width and small variants fold to the plain sign; a space or an invisible character before it hides nothing.
    for letter in text.lstrip("'"):
        if letter in _CONTROLS:
            return True
        if letter.isspace() or unicodedata.category(letter) in ("Cc", "Cf"):
            continue
        return unicodedata.normalize("NFKC", letter)[:1] in _BEGINNINGS
    return False
