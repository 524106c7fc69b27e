"""The page about findings says what the program says."""

from __future__ import annotations

from findings_doc import PAGE, page


def test_the_page_is_made_from_the_rules() -> None:
    assert PAGE.read_text(encoding="utf-8") == page(), "renew it: python tests/diagnosis/findings_doc.py"
