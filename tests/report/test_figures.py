"""Figures show what was heard: points, bands, posts and bars are where the result says."""

from __future__ import annotations

import dataclasses
import re
import struct
from itertools import pairwise
from xml.etree import ElementTree

import numpy as np
import pytest
from handmade import beat_of, listening_of, train_of

from clackcount import figures, model
from clackcount.errors import TimesError
from clackcount.report import rates
from clackcount.report.figures import paper
from clackcount.report.figures.strip import LANES
from support.speed import in_references

RATE = 48_000


def points_of(figure, marker="o"):
    """(time_s, rate) of all points drawn with a marker on the upper panel."""
    lines = [line for line in figure.axes[0].get_lines() if line.get_marker() == marker]
    return np.concatenate([np.column_stack(line.get_data()) for line in lines])


def texts_of(figure):
    return [text.get_text() for axes in figure.axes for text in axes.texts]


def test_each_cycle_is_a_point_at_its_rate(steady):
    slam_s = steady.beats.train.time_s
    drawn = points_of(figures.strip(steady))
    assert drawn[:, 0] == pytest.approx((slam_s[1:] + slam_s[:-1]) / 2)
    assert drawn[:, 1] == pytest.approx(60 / np.diff(slam_s))


@pytest.mark.parametrize("change", ["missed", "one too many"])
def test_a_beat_missed_or_one_too_many_says_nothing_about_how_even_the_pump_is(change):
    time_s = np.arange(1.0, 61.0, 60.0 / 62.4)
    time_s = np.delete(time_s, [20, 40]) if change == "missed" else np.sort(np.append(time_s, time_s[[20, 40]] + 0.3))
    train = train_of(time_s)
    listening = listening_of(train, pumps=(beat_of(train, rate_per_min=62.4),))
    figure = figures.strip(listening)
    low, high = figure.axes[0].get_ylim()
    assert 59 < low < high < 66
    (found,) = rates.of(listening)
    assert found.odd.sum() == (2 if change == "missed" else 4)
    band = rates.band(found, 62.0)
    assert np.nanmax(band.high) - np.nanmin(band.low) < 0.01
    assert len(points_of(figure, "^" if change == "missed" else "v")) == found.odd.sum()
    assert texts_of(figures.intervals(listening))[-1] == f"{found.odd.sum()} beyond the edges"


def test_of_a_pump_that_hops_no_beat_is_odd():
    time_s = np.cumsum(np.repeat([1.0, 1.9, 1.0], 10))
    train = train_of(time_s)
    hops = model.Regularity(cv=0.3, robust_cv=0.3, missed=0, pattern=model.Pattern.HOPPING)
    (found,) = rates.of(listening_of(train, pumps=(beat_of(train, regularity=hops),)))
    assert not found.odd.any()


def test_points_of_a_pump_that_runs_are_only_those_of_its_running(stopped):
    drawn = points_of(figures.strip(stopped))
    assert len(drawn) == 8  # nine slams by itself; the strokes by hand are no rate
    assert drawn[:, 0].min() > 33.2


def test_blocks_lie_in_the_lane_of_their_state_and_cover_the_recording(stopped):
    figure = figures.strip(stopped)
    below = figure.axes[1]
    found = {}
    for (state, _, _), blocks in zip(LANES, below.collections, strict=True):
        found[state] = [(path.vertices[:, 0].min(), path.vertices[:, 0].max()) for path in blocks.get_paths()]
    expected = {}
    for stretch in stopped.running.timeline:
        expected.setdefault(stretch.state, []).append((stretch.start_s, stretch.end_s))
    assert {state: spans for state, spans in found.items() if spans} == {
        state: [pytest.approx(span) for span in spans] for state, spans in expected.items()
    }
    assert [label.get_text() for label in below.get_yticklabels()] == ["self", "hand", "water", "quiet"]


def test_a_stop_is_a_post_with_a_board_that_says_what_stayed(stopped):
    figure = figures.strip(stopped)
    assert "stays open" in texts_of(figure)
    for axes in figure.axes:
        posts = [line for line in axes.get_lines() if line.get_color() == paper.STOP]
        assert any(np.allclose(post.get_xdata(), 41.7) for post in posts)


def test_a_doubtful_stretch_has_a_question_mark(stopped):
    assert texts_of(figures.strip(stopped)).count("?") == 1  # only the last stretch is below one half


def test_doubtful_slams_are_rings(steady):
    confidence = np.full(len(steady.beats.train), 0.9)
    confidence[10] = 0.2
    train = dataclasses.replace(steady.beats.train, confidence=confidence)
    figure = figures.strip(listening_of(train, pumps=(beat_of(train),)))
    rings = [line for line in figure.axes[0].get_lines() if line.get_markerfacecolor() == paper.PAPER]
    assert sum(len(ring.get_xdata()) for ring in rings) == 1


def test_a_missed_beat_is_a_caret_on_the_edge_and_does_not_squash_the_rest(steady):
    train = train_of(np.delete(steady.beats.train.time_s, 30), duration_s=61.0)
    figure = figures.strip(listening_of(train, pumps=(beat_of(train),)))
    low, high = figure.axes[0].get_ylim()
    assert high - low < 10
    assert points_of(figure, "^")[:, 1] == pytest.approx([low])


def test_without_a_ram_the_strip_says_so(no_ram):
    assert "no steady beat" in texts_of(figures.strip(no_ram))


def test_a_board_without_room_is_left_out_but_its_post_stands(stopped):
    close = tuple(model.Stop(at_s, model.Cause.UNKNOWN, 0.9) for at_s in (40.0, 40.5, 41.0))
    listening = dataclasses.replace(stopped, running=dataclasses.replace(stopped.running, stops=close))
    figure = figures.strip(listening, width_px=328)
    assert texts_of(figure).count("stops") == 1
    posts = [line for line in figure.axes[1].get_lines() if line.get_color() == paper.STOP]
    assert len(posts) == 3


def test_many_stops_leave_the_points_free(stopped):
    many = tuple(model.Stop(at_s, model.Cause.UNKNOWN, 0.9) for at_s in np.linspace(1, 60, 40))
    figure = figures.strip(dataclasses.replace(stopped, running=dataclasses.replace(stopped.running, stops=many)))
    posts = [line for line in figure.axes[0].get_lines() if line.get_color() == paper.STOP]
    assert len(posts) >= 40
    assert min(min(post.get_ydata()) for post in posts) >= 0.9


@pytest.fixture(scope="module")
def eight_hours():
    rng = np.random.default_rng(4)
    time_s = np.cumsum(rng.normal(60 / 62, 0.01, 8 * 3600))
    train = train_of(time_s)
    stretch = model.Stretch(model.State.SELF, 0.0, train.duration_s, len(train), 0.9)
    return listening_of(train, pumps=(beat_of(train),), running=model.Running((stretch,)))


def test_eight_hours_are_thinned_to_medians_and_drawn_in_time(eight_hours):
    def drawn_as_text():
        figure = figures.strip(eight_hours)
        return figure, figures.svg(figure, "night", "a night")

    n_references, (figure, text) = in_references(drawn_as_text)
    assert n_references < 20
    drawn = points_of(figure)
    assert len(drawn) <= rates.MANY
    assert drawn[:, 1].mean() == pytest.approx(62, rel=1e-3)
    assert len(text) < 200_000


def test_the_band_holds_four_points_in_five(eight_hours):
    (own,) = rates.of(eight_hours)
    band = rates.band(own, eight_hours.recording.duration_s)
    low, high = (np.interp(own.time_s, band.time_s, edge) for edge in (band.low, band.high))
    inside = np.mean((own.rate_per_min >= low) & (own.rate_per_min <= high))
    assert inside == pytest.approx(0.8, abs=0.01)


def test_the_histogram_counts_every_interval_once(steady):
    """numpy.histogram over the drawn edges is the oracle."""
    rng = np.random.default_rng(2)
    train = train_of(np.cumsum(rng.normal(0.96, 0.02, 300)))
    axes = figures.intervals(listening_of(train, pumps=(beat_of(train),))).axes[0]
    heights = [bar.get_height() for bar in axes.patches]
    edges = [bar.get_x() for bar in axes.patches] + [axes.patches[-1].get_x() + axes.patches[-1].get_width()]
    assert heights == np.histogram(np.diff(train.time_s), bins=edges)[0].tolist()
    beyond = [int(text.get_text().split()[0]) for text in axes.texts if "beyond" in text.get_text()]
    assert sum(heights) + sum(beyond) == 299


def test_two_clusters_both_show(steady):
    gaps_s = np.where(np.arange(200) % 2, 0.8, 1.1)
    train = train_of(np.cumsum(gaps_s))
    low_s, high_s = figures.intervals(listening_of(train, pumps=(beat_of(train),))).axes[0].get_xlim()
    assert low_s < 0.8 < 1.1 < high_s


def test_no_intervals_is_said_in_one_line(no_ram):
    with pytest.raises(TimesError, match="fewer than two beats"):
        figures.intervals(no_ram)


# --- one beat opened up ------------------------------------------------------------------------------------------


def rushing_water(train, *, shut_s, quieter_db, seed=3):
    """White noise that is quieter by so many dB while the valve is shut: the truth of a profile is known."""
    rng = np.random.default_rng(seed)
    samples = rng.normal(0, 0.1, int(train.duration_s * RATE))
    time_s = np.arange(len(samples)) / RATE
    last = np.searchsorted(train.time_s, time_s, side="right") - 1
    since_s = time_s - train.time_s[np.maximum(last, 0)]
    samples[(last >= 0) & (since_s < shut_s)] *= 10 ** (-quieter_db / 20)
    return model.Excerpt(0.0, RATE, samples.astype(np.float32))


@pytest.mark.parametrize("quieter_db", [3.0, 12.0])
def test_profile_gives_the_levels_that_were_put_in(quieter_db):
    train = train_of(np.arange(1.0, 31.0, 1.0))
    listening = listening_of(train, pumps=(beat_of(train),))
    found = figures.profile(listening, rushing_water(train, shut_s=0.25, quieter_db=quieter_db))
    middle_s = (found.edge_s[1:] + found.edge_s[:-1]) / 2
    shut = (middle_s > 0.01) & (middle_s < 0.23)
    opened = (middle_s > 0.27) & (middle_s < 0.98)
    assert np.median(found.middle_db[shut]) == pytest.approx(0, abs=0.2)
    assert np.median(found.middle_db[opened]) == pytest.approx(quieter_db, abs=0.2)
    assert found.shut_s == pytest.approx(0.25)
    assert np.all(found.low_db <= found.middle_db)
    assert np.all(found.middle_db <= found.high_db)


def test_profile_is_the_same_wherever_the_excerpt_begins():
    train = train_of(np.arange(1.0, 31.0, 1.0))
    listening = listening_of(train, pumps=(beat_of(train),))
    whole = rushing_water(train, shut_s=0.25, quieter_db=6)
    later = model.Excerpt(10.0, RATE, whole.samples[10 * RATE :])
    shift = figures.profile(listening, later)
    assert shift.n_beats < figures.profile(listening, whole).n_beats
    assert np.median(shift.middle_db - figures.profile(listening, whole).middle_db) == pytest.approx(0, abs=0.3)


def test_no_profile_of_few_beats_or_none(no_ram, steady):
    silence = model.Excerpt(0.0, RATE, np.zeros(3 * RATE, np.float32))
    assert figures.profile(no_ram, silence) is None
    assert figures.profile(steady, silence) is None


@pytest.mark.parametrize(("reopen_after_s", "words"), [(0.25, "open: water rushes"), (None, "the reopening was not")])
def test_phases_are_named_only_where_the_reopening_was_heard(reopen_after_s, words):
    train = train_of(np.arange(1.0, 31.0, 1.0), reopen_after_s=reopen_after_s)
    listening = listening_of(train, pumps=(beat_of(train),))
    figure = figures.cycle(figures.profile(listening, rushing_water(train, shut_s=0.25, quieter_db=6)))
    assert any(text.startswith(words) for text in texts_of(figure))
    assert ("drops open" in texts_of(figure)) == (reopen_after_s is not None)


# --- the way out -------------------------------------------------------------------------------------------------


@pytest.fixture
def all_figures(stopped):
    train = stopped.beats.train
    sound = rushing_water(train, shut_s=0.25, quieter_db=6)
    return {
        "strip": figures.strip(stopped),
        "narrow": figures.strip(stopped, width_px=328, kept=[(10.0, 20.0)]),
        "cycle": figures.cycle(figures.profile(stopped, sound)),
        "intervals": figures.intervals(stopped),
    }


def test_svg_is_xml_with_roles_for_colours_and_ids_of_its_own(all_figures):
    """Well-formed by Python's expat, which follows XML 1.0; ids unique over all figures, as HTML demands."""
    seen = set()
    for name, figure in all_figures.items():
        text = figures.svg(figure, name, 'what "it" shows & says')
        root = ElementTree.fromstring(text)
        assert root.get("role") == "img"
        assert root.get("aria-label") == 'what "it" shows & says'
        assert re.findall(r"#[0-9a-fA-F]{6}\b", text) == []
        ids = [node.get("id") for node in root.iter() if node.get("id")]
        assert len(ids) == len(set(ids))
        assert seen & set(ids) == set()
        seen |= set(ids)
        used = set(re.findall(r"url\(#([^)]+)\)|href=\"#([^\"]+)\"", text))
        assert {first or second for first, second in used} <= set(ids)
        assert "<text" in text
        assert set(re.findall(r"var\(--([\w-]+)\)", text)) <= {*paper.ROLES, "face"}


def test_every_axis_says_its_unit(all_figures):
    for name, unit in (("strip", "(min:s)"), ("cycle", "(s)"), ("intervals", "(s)")):
        assert unit in all_figures[name].axes[-1].get_xlabel()
    assert "beats a minute" in texts_of(all_figures["strip"])
    assert "(dB)" in all_figures["cycle"].axes[0].get_title(loc="left")
    assert all_figures["intervals"].axes[0].get_title(loc="left") == "beats"


def test_png_has_the_size_asked_for(all_figures):
    """Width and height stand in bytes 16 to 24 of a PNG (W3C PNG specification, 5.3 and 11.2.2, IHDR)."""
    data = figures.png(all_figures["narrow"], dots_per_px=2)
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">I", data[16:20]) == (656,)


def test_the_same_result_gives_the_same_picture(stopped):
    assert figures.svg(figures.strip(stopped), "a", "b") == figures.svg(figures.strip(stopped), "a", "b")


def test_other_peoples_matplotlib_is_left_alone(stopped):
    import matplotlib as mpl

    before = dict(mpl.rcParams)
    figures.png(figures.strip(stopped))
    assert dict(mpl.rcParams) == before


# --- trials ------------------------------------------------------------------------------------------------------


def test_ratios_are_lines_from_low_to_high_beside_the_line_of_no_difference():
    rows = (
        model.Ratio("delivered water", 1.22, 1.14, 1.30, "better"),
        model.Ratio("efficiency", 0.92, 0.81, 1.05, "not shown"),
    )
    (axes,) = figures.ratios(rows, "Trial 2 over trial 1").axes
    drawn = [tuple(line.get_xdata()) for line in axes.get_lines()]
    assert drawn == [(1.0, 1.0), (1.14, 1.30), (1.22,), (0.81, 1.05), (0.92,)]
    assert [text.get_text() for text in axes.texts] == ["delivered water: better", "efficiency: not shown"]
    low, high = axes.get_xlim()
    assert low < 0.81 < 1.30 < high
    assert axes.get_title("left") == "Trial 2 over trial 1"


def choice_of(best, following):
    at = tuple(np.linspace(5.0, 18.0, 27))
    curve = tuple(0.6 - 0.002 * (x - 11) ** 2 for x in at)
    band = [tuple(y + d for y in curve) for d in (-0.02, 0.02)]
    delivered = model.Response("delivered", "L/min", at, curve, *band, ((6.0, 0.55), (10.0, 0.6), (14.0, 0.58)))
    return model.Choice("stroke", "mm", (delivered, delivered), (6.0, 14.0), best, following)


@pytest.mark.parametrize(("best", "following", "boards"), [
    (10.8, 18.0, ["best so far", "try next"]), (5.0, None, ["best so far"]), (14.0, 14.0, ["best so far"]),
    (17.9, 17.5, ["best so far", "try next"]),
])  # fmt: skip
def test_a_choice_names_the_best_and_the_next_and_says_where_it_guesses(best, following, boards):
    figure = figures.choice(choice_of(best, following), width_px=328)
    assert sorted(text for text in texts_of(figure) if text in ("best so far", "try next")) == boards
    for axes in figure.axes:
        known = axes.get_lines()[1].get_xdata()  # the curve as far as it was tried
        assert (known.min(), known.max()) == (6.0, 14.0)
        assert axes.texts[0].get_text() == "delivered (L/min)"
    assert figure.axes[-1].get_xlabel() == "stroke (mm)"
    figure.canvas.draw()
    boxes = [text.get_window_extent() for text in figure.axes[0].texts[1:]]
    assert all(box.x0 >= 0 and box.x1 <= figure.bbox.x1 for box in boxes)
    assert not any(one.overlaps(other) for one, other in pairwise(boxes))


def test_a_course_marks_the_last_trial_where_it_is_outside():
    at = tuple(f"2026-0{month}-01T10:00:00Z" for month in range(1, 7))
    values = (0.60, 0.61, 0.59, 0.60, 0.61, 0.45)
    drawn = [
        figures.course((model.Course("delivered", "L/min", at, values, 0.6, 0.57, 0.63, outside),))
        .axes[0]
        .get_lines()
        for outside in (True, False)
    ]
    assert [[line.get_marker() for line in lines] for lines in drawn] == [["None", "o", "D"], ["None", "o"]]
    assert drawn[0][2].get_ydata()[0] == 0.45


def test_trials_listed_stand_over_their_numbers_with_their_bands():
    rows = (
        model.Measured("delivered", "L/min", (1, 2, 5), (0.5, 0.6, 0.55), (0.02, 0.03, 0.0)),
        model.Measured("beat", "per min", (2,), (61.8,), (0.2,)),
    )
    above, below = figures.listed(rows).axes
    (points,) = above.get_lines()
    assert points.get_xydata().tolist() == [[1, 0.5], [2, 0.6], [5, 0.55]]
    bars = [segment[:, 1].tolist() for segment in above.collections[0].get_segments()]
    assert bars == [pytest.approx(ends) for ends in ([0.48, 0.52], [0.57, 0.63], [0.55, 0.55])]
    assert above.get_xlim() == below.get_xlim()


def test_trials_with_nothing_to_draw_say_so():
    for nothing in (lambda: figures.ratios((), "x"), lambda: figures.course(()), lambda: figures.listed(())):
        with pytest.raises(TimesError, match=r"nothing was (compared|measured)|no course"):
            nothing()
