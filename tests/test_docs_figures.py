"""The figures of the docs are made by the code, by one command, and each is shown somewhere."""

from __future__ import annotations

import re
import subprocess
import sys


def test_one_command_draws_every_figure_that_the_docs_show(tmp_path, pytestconfig):
    docs = pytestconfig.rootpath / "docs"
    script = docs / "figures" / "make.py"
    ran = subprocess.run([sys.executable, str(script), str(tmp_path)], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    drawn = {path.name for path in tmp_path.iterdir()}
    assert drawn == {path.name for path in (docs / "figures").glob("*.png")}
    shown = {
        name for page in docs.glob("*.md") for name in re.findall(r"\(figures/([^)]+)\)", page.read_text("utf-8"))
    }
    assert shown == drawn
    for name in drawn:
        assert (tmp_path / name).read_bytes().startswith(b"\x89PNG")
        assert (tmp_path / name).stat().st_size > 4000  # not blank
