"""The page about the report shows figures that the program makes, and names what is there."""

from __future__ import annotations

import re

import pytest

from clackcount.report import keeping
from clackcount.report.figures.strip import LANES


@pytest.fixture
def docs(pytestconfig):
    return pytestconfig.rootpath / "docs"


def test_each_figure_is_there_and_is_a_png(docs):
    names = re.findall(
        r"!\[[^\]]+\]\((figures/[^)]+)\)", (docs / "reading-the-report.md").read_text(encoding="utf-8")
    )
    assert len(names) >= 4
    for name in names:
        assert (docs / name).read_bytes().startswith(b"\x89PNG")


def test_the_words_of_the_lanes_are_explained(docs):
    text = (docs / "reading-the-report.md").read_text(encoding="utf-8").lower()
    for _, name, _ in LANES:
        assert f"*{name}*" in text


def test_figures_in_words_are_those_of_the_code(docs):
    text = (docs / "reading-the-report.md").read_text(encoding="utf-8")
    assert keeping.WHOLE_S == 360
    assert "up to six minutes go with the page whole" in text
    assert keeping.MOST_S == 600
    assert "up to ten minutes of excerpts" in text
    assert keeping.BEFORE_S + keeping.AFTER_S == 20
    assert keeping.LEAD_S == 2


def test_python_in_it_runs(docs, pytestconfig, monkeypatch):
    monkeypatch.chdir(pytestconfig.rootpath)
    text = (docs / "reading-the-report.md").read_text(encoding="utf-8")
    blocks = re.findall(r"^```python\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)
    assert blocks
    for block in blocks:
        exec(compile(block, "reading-the-report.md", "exec"), {})
