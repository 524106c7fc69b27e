"""How right and how fast the listening is: one command, all tables.

python tests/benchmarks/run.py                                   everything but the day-long file
python tests/benchmarks/run.py --quick                           few recordings, two minutes or so
python tests/benchmarks/run.py --only rain --only cost           the conditions whose name holds a word; "cost"
python tests/benchmarks/run.py --write docs/accuracy.md          and put the tables into the document
python tests/benchmarks/run.py --audio FOLDER                    with more recorded clips (shaped like tests/data)
"""

from __future__ import annotations

import argparse
import json
import platform
import sys
import time
import warnings
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks import clips, cost, tables
from benchmarks.recordings import FIRST, Condition, conditions
from benchmarks.scoring import Row, score


def wanted(name: str, only: list[str]) -> bool:
    """Whether --only lets this through."""
    return not only or any(word.lower() in name.lower() for word in only)


def listen_to(found: list[Condition], n: int, first: int, *, with_tools: bool) -> list[Row]:
    """Rows of all recordings, n of each condition (more or fewer where the condition says so)."""
    rows = []
    for condition in found:
        count = max(1, round(n * condition.share))
        began = time.perf_counter()
        these = [
            score(condition.make(number), condition.name, condition.group, number, tools=with_tools)
            for number in range(first, first + count)
        ]
        rows += these
        f1 = tables.mean(row.f1["15"] for row in these if row.n_slams)
        say(f"{condition.name}: {count} recordings, F1 {f1}, {time.perf_counter() - began:.0f} s")
    return rows


def impact_clips(folders: list[Path]) -> list[dict[str, Any]]:
    """Every recorded clip with annotated impacts, through the door the package has for it."""
    from benchmarks.impacts import score_clip

    return [score_clip(clip) for folder in folders for clip in clips.read(folder, "impacts")]


def say(text: str) -> None:
    """A line on standard error: what goes on while it lasts."""
    print(text, file=sys.stderr, flush=True)


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="few recordings of each condition")
    parser.add_argument("--n", type=int, default=8, help="recordings of a condition")
    parser.add_argument("--first", type=int, default=FIRST, help="number of the first recording")
    parser.add_argument("--only", action="append", default=[], metavar="WORD", help="conditions whose name holds it")
    parser.add_argument("--audio", action="append", default=[], type=Path, metavar="DIR", help="more recorded clips")
    parser.add_argument("--long", action="store_true", help="time a file of 24 hours too (needs 9 GB in TMPDIR)")
    parser.add_argument("--no-tools", action="store_true", help="leave out the other tools")
    parser.add_argument("--json", type=Path, metavar="FILE", help="every figure of every recording")
    parser.add_argument("--write", type=Path, metavar="FILE", help="put the tables between their markers")
    given = parser.parse_args(argv)
    warnings.simplefilter("ignore")  # librosa and mir_eval remark on recordings where nothing is found
    began = time.perf_counter()
    folders = [clips.DATA, *given.audio]
    n = 3 if given.quick else given.n
    chosen = [condition for condition in conditions(folders) if wanted(condition.name, given.only)]
    rows = listen_to(chosen, n, given.first, with_tools=not given.no_tools)
    impacts = impact_clips(folders) if wanted("impacts", given.only) else []
    costs = cost.measure(quick=given.quick, long=given.long, say=say) if wanted("cost", given.only) else []
    took_s = time.perf_counter() - began
    made = {
        "run": [
            f"{len(rows)} recordings, {sum(row.duration_s for row in rows) / 60:.0f} minutes of sound, numbers from "
            f"{given.first}; {took_s / 60:.1f} minutes on {platform.machine()}, Python {platform.python_version()}."
        ],
        "slams": tables.slams(rows),
        "kinds": tables.kinds(rows),
        "pairs": tables.pairs(rows),
        "without": tables.without(rows),
        "tools": tables.tools(rows),
        "impacts": tables.impacts(impacts),
        "cost": tables.cost(costs),
    }
    for name, lines in made.items():
        print(f"\n## {name}\n", *lines, sep="\n")
    if given.json:
        document = {"rows": [row.to_dict() for row in rows], "impacts": impacts, "cost": costs}
        given.json.write_text(json.dumps(document, indent=1, allow_nan=True), encoding="utf-8")
    if given.write:
        text = given.write.read_text(encoding="utf-8")
        parts = {"slams": rows, "kinds": rows, "pairs": rows, "without": rows, "impacts": impacts, "cost": costs}
        for name, lines in made.items():
            if parts.get(name, rows):  # what was not run keeps its table
                text = tables.put(text, name, lines)
        given.write.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
