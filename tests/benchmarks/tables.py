"""Rows of figures become Markdown tables, and go between their markers in a document."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np

from benchmarks.recordings import LOW_HZ
from benchmarks.scoring import SAME_RATE, WINDOWS_MS, Row

Lines = list[str]
MISSING = "–"
RATES = ((15, 40), (40, 120), (120, 250), (250, 400))


def table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> Lines:
    """A Markdown table; all columns but the first are figures."""
    out = [f"| {' | '.join(head)} |", f"|---|{'---:|' * (len(head) - 1)}"]
    return out + [f"| {' | '.join(str(cell) for cell in row)} |" for row in rows]


def mean(values: Iterable[float], form: str = ".3f") -> str:
    """The mean, or a dash."""
    known = list(values)
    return format(float(np.mean(known)), form) if known else MISSING


def share(part: int, whole: int) -> str:
    """Part of whole, as counts: a percentage of ten would say more than it knows."""
    return f"{part} of {whole}" if whole else MISSING


def _clear(row: Row) -> bool:
    return row.octave_hz is None or row.octave_hz > LOW_HZ


def _groups(rows: Iterable[Row], key: Callable[[Row], str]) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for row in rows:
        found.setdefault(key(row), []).append(row)
    return found


def _wrong_beat(row: Row) -> bool:
    return row.off is not None and abs(row.off) > SAME_RATE


def _octave(row: Row) -> bool:
    """The stated rate is a whole multiple or a whole fraction of the true one."""
    if row.off is None or not _wrong_beat(row):
        return False
    ratio = max(1 + row.off, 1 / (1 + row.off))
    return round(ratio) >= 2 and abs(ratio / round(ratio) - 1) <= SAME_RATE


def _covered(row: Row) -> bool:
    return row.low95 is not None and row.high95 is not None and row.low95 <= (row.true or 0) <= row.high95


def _found(name: str, rows: list[Row]) -> list[object]:
    late = np.array([ms for row in rows for ms in row.late_ms])
    stated = [row for row in rows if row.stated is not None]
    right = [abs(row.off) for row in stated if row.off is not None and not _wrong_beat(row)]
    return [
        name,
        len(rows),
        *(mean(row.f1[str(w)] for row in rows) for w in WINDOWS_MS),
        f"{np.median(np.abs(late)):.2f}" if len(late) else MISSING,
        f"{np.quantile(np.abs(late), 0.95):.1f}" if len(late) else MISSING,
        share(len(stated), len(rows)),
        f"{100 * np.median(right):.3f}" if right else MISSING,
        share(sum(r <= 0.001 for r in right), len(stated)),
        share(sum(_covered(row) for row in stated), len(stated)),
        share(sum(_octave(row) for row in stated), len(stated)),
        share(sum(_wrong_beat(row) and not _octave(row) for row in stated), len(stated)),
        share(sum(row.rams_told > row.rams for row in rows), len(rows)),
    ]


FOUND = (
    "recordings",
    "F1 ±5 ms",
    "F1 ±15 ms",
    "F1 ±50 ms",
    "placed within, median ms",
    "95 % within, ms",
    "rate stated",
    "rate off, median %",
    "rate within 0.1 %",
    "95 % interval holds",
    "double or half",
    "other wrong beat",
    "a ram too many",
)


def slams(rows: list[Row]) -> Lines:
    """How well slams and rate are found, by condition; clear slams and low ones apart."""
    with_ram = [row for row in rows if row.n_slams and row.group not in ("two", "knocks", "none", "even")]
    out: Lines = []
    for clear, title in ((True, "Slam stands out most at 500 Hz or above"), (False, "At 125 or 250 Hz")):
        these = [row for row in with_ram if _clear(row) == clear]
        if not these:
            continue
        by = _groups(these, lambda row: row.condition)
        out += ["", f"**{title}**", "", *table(("condition", *FOUND), [_found(*item) for item in by.items()])]
        whole = [row for row in these if row.group not in ("stream",) or "6 dB" in row.condition]
        out += [f"| {' | '.join(str(cell) for cell in _found('all at 6 dB and better', whole))} |"]
    return out


def kinds(rows: list[Row]) -> Lines:
    """The same by rate and by pattern, over all simulated recordings at 6 dB and more whose slam is clear."""
    groups = ("stream", "other", "codec", "place")
    these = [row for row in rows if row.group in groups and _clear(row) and row.condition not in _FAINT and row.true]
    by_rate = {
        f"{low} to {high} a minute": [row for row in these if low <= (row.true or 0) < high] for low, high in RATES
    }
    by = by_rate | _groups(these, lambda row: row.pattern)
    return table(("rams", *FOUND), [_found(name, group) for name, group in by.items() if group])


_FAINT = ("stream, 3 dB", "stream, 0 dB")


def pairs(rows: list[Row]) -> Lines:
    """Two rams at once, and knocks without a cycle."""
    head = (
        "condition",
        "recordings",
        "F1 ±15 ms",
        "F1 ±50 ms",
        "a rate stated",
        "both rates right",
        "one rate right",
    )
    by = _groups((row for row in rows if row.group in ("two", "knocks")), lambda row: row.condition)
    return table(
        head,
        [
            [
                name,
                len(group),
                mean(row.f1["15"] for row in group),
                mean(row.f1["50"] for row in group),
                share(sum(row.rams_told > 0 for row in group), len(group)),
                share(sum(row.rams_right == 2 for row in group), len(group)) if group[0].rams == 2 else MISSING,
                share(sum(row.rams_right == 1 for row in group), len(group)),
            ]
            for name, group in by.items()
        ],
    )


def without(rows: list[Row]) -> Lines:
    """Recordings without a ram: what is wrongly told."""
    head = ("what is heard", "recordings", "minutes", "a rate stated", "of these with a doubt", "highest confidence")
    head = (*head, "false slams a minute")
    these = [row for row in rows if row.group in ("none", "even")]
    by = _groups(these, lambda row: row.condition)
    for group, name in (("none", "all without a ram"), ("even", "all even knocks that are no ram")):
        by[f"**{name}**"] = [row for row in these if row.group == group]
    found = []
    for name, group in by.items():
        if not group:
            continue
        minutes = sum(row.duration_s for row in group) / 60
        stated = [row for row in group if row.stated is not None]
        doubted = share(sum(row.doubted for row in stated), len(stated))
        sure = max((row.confidence or 0.0 for row in stated), default=None)
        told = sum(row.n_told for row in group) / minutes
        found.append(
            [
                name,
                len(group),
                f"{minutes:.1f}",
                share(len(stated), len(group)),
                doubted,
                MISSING if sure is None else f"{sure:.2f}",
                f"{told:.2f}",
            ]
        )
    return table(head, found)


def tools(rows: list[Row]) -> Lines:
    """F1 of other tools on the same recordings."""
    these = [row for row in rows if row.tools and row.n_slams]
    names = list(these[0].tools) if these else []
    head = ["condition", "recordings", "clackcount ±15", "±50"]
    for name in names:
        head += [f"{name} ±15", "±50"]

    def line(name: str, group: list[Row]) -> list[object]:
        cells: list[object] = [name, len(group), *(mean(row.f1[w] for row in group) for w in ("15", "50"))]
        for tool in names:
            cells += [mean(row.tools[tool][w] for row in group) for w in ("15", "50")]
        return cells

    by = _groups(these, lambda row: row.condition)
    return table(head, [*(line(*item) for item in by.items()), line("**all**", these)])


AIMS_F1 = {"stream, 6 dB": 0.99, "stream, 3 dB": 0.95, "stream, 0 dB": 0.90}
AIM_F1_ELSEWHERE = 0.97  # at 6 dB in every other noise, room and codec


def aims(rows: list[Row], costs: list[dict[str, Any]]) -> Lines:
    """What was aimed at, what came out, and whether that is enough; slams at 125 or 250 Hz left out."""
    clear = [row for row in rows if row.n_slams and _clear(row)]
    out: list[tuple[str, str, str, bool]] = []
    for name, group in _groups((r for r in clear if r.group in _ONE_RAM), lambda row: row.condition).items():
        got, aim = float(np.mean([row.f1["15"] for row in group])), AIMS_F1.get(name, AIM_F1_ELSEWHERE)
        out.append((f"F1 ±15 ms, {name}", f"≥ {aim:.2f}", f"{got:.3f}", got >= aim))
    late = np.abs([ms for row in clear if row.condition == "clean" for ms in row.late_ms])
    if len(late):
        middle, most = float(np.median(late)), float(np.quantile(late, 0.95))
        out.append(("placed within, clean, median", "≤ 0.5 ms", f"{middle:.2f} ms", middle <= 0.5))
        out.append(("placed within, clean, 95 %", "≤ 3 ms", f"{most:.1f} ms", most <= 3))
    stated = [row for row in clear if row.group in _ONE_RAM and row.off is not None and row.condition not in _FAINT]
    if stated:
        n = len(stated)
        near = sum(abs(row.off or 0) <= 0.001 for row in stated)
        held, octave = sum(map(_covered, stated)), sum(map(_octave, stated))
        out.append(("rate within 0.1 %", "all", share(near, n), near == n))
        out.append(("95 % interval holds the rate", "95 in 100", share(held, n), held >= 0.95 * n))
        out.append(("double or half the rate", "never", share(octave, n), octave == 0))
    none = [row for row in rows if row.group == "none"]
    if none:
        told = sum(row.stated is not None for row in none)
        false = sum(row.n_told for row in none) / (sum(row.duration_s for row in none) / 60)
        out.append(("a rate stated where there is no ram", "never", share(told, len(none)), told == 0))
        out.append(("false slams a minute there", "< 1", f"{false:.2f}", false < 1))
    hours = [row for row in costs if row["name"] == "1 h"]
    for tool, name, most in (("librosa", "librosa's", 1.0), ("soundfile", "soundfile.read's", 16.0)):
        for row in hours:
            ratio = row["listen"]["s"] / row[tool]["s"]
            out.append((f"time for 1 h over {name}", f"≤ {most:g}", f"{ratio:.3f}", ratio <= most))
    if costs:
        peak = max(row["listen"]["mb"] for row in costs)
        out.append(("peak memory, any length", "≤ 250 MB", f"{peak:.0f} MB", peak <= 250))
    return table(("what", "aim", "came out", "reached"), [(*line, "yes" if met else "no") for *line, met in out])


_ONE_RAM = ("stream", "other", "codec", "place", "recorded")


def impacts(found: list[dict[str, Any]]) -> Lines:
    """Every impact of the recorded clips, ours and librosa's."""
    if not found:
        return ["Not measured in this run."]
    head = (
        "clip",
        "impacts",
        "within",
        "ours F1",
        "librosa F1",
        "backtracked F1",
        "late, median ms",
        "rate",
        "heard",
    )
    rows = []
    for clip in found:
        cells = (clip["ours"], clip["librosa"], clip["backtracked"])
        rows.append(
            [
                clip["clip"],
                clip["n"],
                f"±{clip['window_ms']:.0f} ms",
                *(f"{cell:.3f}" for cell in cells),
                MISSING if clip["late_ms"] is None else f"{clip['late_ms']:.1f}",
                f"{clip['rate']:.2f}",
                MISSING if clip["heard"] is None else f"{clip['heard']:.2f}",
            ]
        )
    return table(head, rows)


def cost(found: list[dict[str, Any]]) -> Lines:
    """Time and memory as ratios against the libraries on the same file in the same run.

    By blocks: soundfile read the file as listen does. Reckoned: from librosa's row above, times the length.
    """
    if not found:
        return ["Not measured in this run."]
    head = ("sound", "listen, s", "× soundfile.read", "× librosa", "listen, MB", "× memory of soundfile.read")
    head = (*head, "× memory of librosa", "times faster than sound")
    rows = []
    for row in found:

        def ratio(key: str, tool: str, row: dict[str, Any] = row) -> str:
            other = row.get(tool)
            if not other:
                return MISSING
            how = " (by blocks)" if "by_blocks" in other else " (reckoned)" if "from" in other else ""
            return f"{row['listen'][key] / other[key]:.{2 if not how else 3}f}{how}"

        rows.append(
            [
                row["name"],
                f"{row['listen']['s']:.2f}",
                ratio("s", "soundfile"),
                ratio("s", "librosa"),
                f"{row['listen']['mb']:.0f}",
                ratio("mb", "soundfile"),
                ratio("mb", "librosa"),
                f"{row['sound_s'] / row['listen']['s']:.0f}",
            ]
        )
    return table(head, rows)


def put(document: str, name: str, lines: Lines) -> str:
    """The document with the lines between `<!-- name: ... -->` and `<!-- end name -->`.

    Raises:
        ValueError: the document has no such markers.
    """
    pattern = re.compile(rf"(<!-- {name}:[^>]*-->\n).*?(<!-- end {name} -->)", re.DOTALL)
    if not pattern.search(document):
        raise ValueError(f"no place marked {name!r} in the document")
    body = "\n".join(lines).strip("\n")
    return pattern.sub(lambda found: f"{found[1]}\n{body}\n\n{found[2]}", document)
