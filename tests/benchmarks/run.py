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

Found = dict[str, list[Any]]  # "rows": list[Row]; "impacts" and "cost": rows of plain figures


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
    """Every recorded clip with annotated impacts, through the door the package has for it; none without a door."""
    try:
        from benchmarks.impacts import score_clip
    except ImportError as err:
        say(f"impacts: left out, {err}")
        return []
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
    parser.add_argument(
        "--from", dest="before", type=Path, metavar="FILE", help="figures of an earlier --json to add"
    )
    given = parser.parse_args(argv)
    if given.write and given.only and not given.before:
        parser.error("--write with --only would drop what was not run from the tables: add --from FILE")
    warnings.simplefilter("ignore")  # librosa and mir_eval remark on recordings where nothing is found
    folders = [clips.DATA, *given.audio]
    chosen = [condition for condition in conditions(folders) if wanted(condition.name, given.only)]
    found: Found = {"rows": [], "impacts": [], "cost": []}
    if wanted("impacts", given.only):
        found["impacts"] = impact_clips(folders)
    n = 3 if given.quick else given.n
    found["rows"] = listen_to(chosen, n, given.first, with_tools=not given.no_tools)
    if wanted("cost", given.only):
        found["cost"] = cost.measure(quick=given.quick, long=given.long, say=say)
    if given.before:
        found = joined(json.loads(given.before.read_text(encoding="utf-8")), found)
    if given.json:
        plain = found | {"rows": [row.to_dict() for row in found["rows"]]}
        given.json.write_text(json.dumps(plain, indent=1), encoding="utf-8")
    text = given.write.read_text(encoding="utf-8") if given.write else ""
    for name, lines in made_of(found).items():
        print(f"\n## {name}\n", *lines, sep="\n")
        text = tables.put(text, name, lines) if given.write else text
    if given.write:
        given.write.write_text(text, encoding="utf-8")
    return 0


def joined(before: dict[str, list[Any]], now: Found) -> Found:
    """Figures of an earlier run, those of now in place of the same ones."""
    again = {row.condition for row in now["rows"]}
    kept = [Row(**row) for row in before["rows"] if row["condition"] not in again]
    return {
        "rows": kept + now["rows"],
        "impacts": now["impacts"] or before["impacts"],
        "cost": now["cost"] or before["cost"],
    }


def made_of(found: Found) -> dict[str, list[str]]:
    """All tables by name."""
    rows = found["rows"]
    minutes, first = sum(row.duration_s for row in rows) / 60, min((row.number for row in rows), default=0)
    run = (
        f"{len(rows)} recordings, {minutes:.0f} minutes of sound, numbers from {first}; "
        f"{platform.machine()}, Python {platform.python_version()}."
    )
    return {
        "run": [run],
        "aims": tables.aims(rows, found["cost"]),
        "slams": tables.slams(rows),
        "kinds": tables.kinds(rows),
        "pairs": tables.pairs(rows),
        "without": tables.without(rows),
        "tools": tables.tools(rows),
        "impacts": tables.impacts(found["impacts"]),
        "cost": tables.cost(found["cost"]),
    }


if __name__ == "__main__":
    sys.exit(main())
