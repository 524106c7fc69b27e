"""The site file: what is read, what is refused and in which words, what is written back."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from clackcount.cli import predict as predict_command
from clackcount.cli import site as site_command
from clackcount.errors import ClackcountError, QuantityError, SiteError
from clackcount.hydraulics import (
    Catch,
    Heard,
    Site,
    measure,
    numbers_of,
    site_lines,
    template,
    with_calibration,
    with_measurement,
)
from clackcount.hydraulics.figures import uncertain

FT, PSI = 0.3048, 6894.757293168
PLAIN = """
drive_head = "5.5 ± 0.1 ft"
delivery_head_above_ram = "32 ft"
[drive_pipe]
length = "20 ft"
size = "1/2 in sch 40"
"""


def value(x: object) -> float:
    return getattr(x, "nominal_value", x)  # type: ignore[return-value]


def test_the_template_reads_back_and_every_remark_in_it_too() -> None:
    """Each line that is commented out is an example: switched on, one at a time, it must be understood."""
    Site.read(template())
    lines = template().splitlines()
    switched = 0
    for number, line in enumerate(lines):
        if not line.startswith("# ") or " = " not in line.split("#")[1]:
            continue
        changed = lines.copy()
        changed[number] = line[2:]
        name = line[2:].split(" =")[0]
        if name in ("delivery_head_above_source", "bore"):  # stand instead of another line
            other = {"delivery_head_above_source": "delivery_head_above_ram", "bore": "size"}[name]
            changed = [each for each in changed if not each.startswith(f"{other} =")]
        if name == "wall":
            changed = [each.removeprefix("# ") if each.startswith("# bore") else each for each in changed]
            changed = [each for each in changed if not each.startswith("size =")]
        before = next((i for i in range(number, -1, -1) if lines[i].lstrip("# ").startswith("[")), None)
        if before is not None and lines[before].startswith("# ["):
            block = range(before, next((i for i in range(number, len(lines)) if not lines[i].strip()), len(lines)))
            changed = [each.removeprefix("# ") if i in block else each for i, each in enumerate(lines)]
        Site.read("\n".join(changed))
        switched += 1
    assert switched >= 15


def test_both_ways_to_ask_for_the_delivery_head_give_the_same_site() -> None:
    above_ram = numbers_of(Site.read(PLAIN))
    above_source = numbers_of(Site.read(PLAIN.replace('above_ram = "32 ft"', 'above_source = "26.5 ft"')))
    assert value(above_ram.delivery_head_m) == pytest.approx(32 * FT)
    assert value(above_source.delivery_head_m) == pytest.approx(32 * FT)
    # measured from the source, the drive head's error is in both heads
    assert (
        above_source.delivery_head_m.error_components().keys() & above_source.supply_head_m.error_components().keys()
    )


def test_any_units_give_the_same_site() -> None:
    metric = (
        PLAIN.replace("5.5 ± 0.1 ft", "1,6764 +- 0,03048 m").replace("32 ft", "9753.6 mm").replace("20 ft", "240 in")
    )
    one, other = numbers_of(Site.read(PLAIN)), numbers_of(Site.read(metric))
    for name in ("supply_head_m", "delivery_head_m", "length_m", "loss_coefficient", "wave_speed_m_s"):
        assert value(getattr(one, name)) == pytest.approx(value(getattr(other, name)), rel=1e-6)
    assert one.supply_head_m.std_dev == pytest.approx(other.supply_head_m.std_dev, rel=1e-6)


def test_a_delivery_pressure_is_a_head() -> None:
    numbers = numbers_of(Site.read(PLAIN.replace('"32 ft"', '"14 psi"')))
    assert value(numbers.delivery_head_m) == pytest.approx(14 * PSI / (998.2 * 9.80665))
    assert any("pressure" in said for said in numbers.assumptions)


def test_imperial_measures_hold_in_the_whole_file() -> None:
    text = 'measures = "imperial"\n' + PLAIN + '[supply]\nflow = "3 gal/min"\n'
    assert value(numbers_of(Site.read(text)).supply_flow_m3_s) == pytest.approx(3 * 4.54609e-3 / 60)
    assert any("imperial" in line for line in site_lines(Site.read(text)))
    assert Site(measures="imperial", drive_head="2 m", delivery_head_above_ram="9 m",
                drive_pipe={"length": "9 m", "bore": "21 mm"}, supply={"flow": "1 gal/min"}).supply.flow.value == (
        pytest.approx(4.54609e-3 / 60))  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "field", "says"),
    [
        ('"20 ft"', '"20"', "drive_pipe.length", "“20” has no unit"),
        ("length", "lenght", "drive_pipe.lenght", "not a field"),
        ('drive_head = "5.5 ± 0.1 ft"', "", "drive_head", "missing"),
        ("32 ft", "3 ft", "delivery_head_above_ram", "not above the drive_head"),
        ('delivery_head_above_ram = "32 ft"', "", "delivery_head_above_ram", "neither"),
        ("delivery_head_", 'delivery_head_above_source = "20 ft"\ndelivery_head_', "above_source", "both"),
        ("± 0.1 ft", "± 6 ft", "drive_head", "could be nothing"),
        ("delivery_head_above_ram", "delivery_head", "delivery_head", "not a field"),
        ("5.5 ±", "5500 ±", "drive_head", "between 0.05 and 200 m"),
        ('size = "1/2 in sch 40"', "", "drive_pipe", "either size or bore"),
        ('size =', 'bore = "16 mm"\nsize =', "drive_pipe", "either size or bore"),
        ('size =', 'wall = "2 mm"\nsize =', "drive_pipe", "wall"),
        ("1/2 in sch 40", "5 parsecs", "drive_pipe.size", "nominal"),
        ('size =', 'material = "cheese"\nsize =', "drive_pipe.material", "cheese"),
        ('size =', 'elbows_90 = "two"\nsize =', "drive_pipe.elbows_90", "integer"),
        ('size =', 'restraint = "glue"\nsize =', "drive_pipe.restraint", "glue"),
        ('"20 ft"', "[20]", "drive_pipe.length", "[20]"),
        ("[drive_pipe]", "[supply]\nflow = \"3 psi\"\n[drive_pipe]", "supply.flow", "not a flow"),
        ("[drive_pipe]", "[waste_valve]\ntilt = \"170 deg\"\n[drive_pipe]", "waste_valve.tilt", "between"),
        ('"', "“", "spring.toml", "TOML"),
    ],
)  # fmt: skip
def test_an_error_names_the_field_what_was_given_and_an_example(old: str, new: str, field: str, says: str) -> None:
    with pytest.raises(SiteError) as caught:
        Site.read(PLAIN.replace(old, new, -1 if old == '"' else 1), "spring.toml")
    assert str(caught.value).startswith("spring.toml: ")
    assert field in str(caught.value)
    assert says in str(caught.value)
    assert caught.value.hint
    assert "\n" not in str(caught.value)


def test_a_delivery_head_without_its_foot_is_asked_back() -> None:
    with pytest.raises(SiteError) as caught:
        Site.read(PLAIN.replace("delivery_head_above_ram", "delivery_head"))
    assert "above the ram, or above the source?" in (caught.value.hint or "")


def test_both_delivery_heads_mean_the_same_tank() -> None:
    source = Site.read(PLAIN.replace('delivery_head_above_ram = "32 ft"', 'delivery_head_above_source = "26.5 ft"'))
    ram = numbers_of(Site.read(PLAIN)).delivery_head_m
    assert value(numbers_of(source).delivery_head_m) == pytest.approx(value(ram))
    assert value(ram) == pytest.approx(32 * FT)


def test_a_site_made_in_python_is_checked_alike() -> None:
    with pytest.raises(SiteError, match=r"drive_pipe.length: “20” has no unit"):
        Site(drive_head="2 m", delivery_head_above_ram="9 m", drive_pipe={"length": "20", "bore": "21 mm"})


@given(st.dictionaries(st.sampled_from(["drive_head", "drive_pipe", "name", "supply", "x"]),
                       st.one_of(st.text(max_size=8), st.integers(), st.lists(st.integers(), max_size=2),
                                 st.dictionaries(st.text(max_size=5), st.text(max_size=5), max_size=2))))  # fmt: skip
def test_any_wrong_site_is_refused_in_words(data: dict[str, object]) -> None:
    with pytest.raises(SiteError):
        Site(**data)


@pytest.mark.parametrize("with_table", [False, True])
def test_what_was_learnt_is_kept_and_nothing_else_is_touched(with_table: bool) -> None:
    text = template().replace("# stroke", "stroke")
    if with_table:
        text += '[calibration]  # mine\n# a remark\nloss_coefficient = "99"\nnote = "old"\n'
    loss, velocity = uncertain(14.2, 1.1), uncertain(0.83, 0.04)
    once = with_calibration(text, loss_coefficient=loss, closing_velocity_m_s=velocity, note='bucket "test"')
    twice = with_calibration(once, loss_coefficient=loss, closing_velocity_m_s=velocity, note='bucket "test"')
    assert once == twice
    for line in text.splitlines():
        if not line.startswith(("loss_coefficient", "note =")):
            assert line in once
    kept = Site.read(once).calibration
    assert kept.loss_coefficient is not None
    assert kept.closing_velocity is not None
    assert (kept.loss_coefficient.value, kept.loss_coefficient.u) == pytest.approx((14.2, 1.1), rel=0.05)
    assert (kept.closing_velocity.value, kept.closing_velocity.u) == pytest.approx((0.83, 0.04), rel=0.05)
    assert kept.at_stroke is not None
    assert numbers_of(Site.read(once)).loss_from == "calibration"
    with pytest.raises(SiteError, match="nothing"):
        with_calibration(text)


def test_a_measurement_is_kept_in_the_site_file() -> None:
    catches = [Catch.read("1.5 cup in 60 s"), Catch.read("5 ± 0.05 L in 60 ± 0.2 s", "waste")]
    found = measure(Site.read(PLAIN), catches, Heard(60, (59.9, 60.1), open_s=0.85, shut_s=0.15))
    assert found.calibrated
    kept = Site.read(with_measurement(PLAIN, found)).calibration
    assert kept.loss_coefficient is not None
    assert kept.loss_coefficient.value == pytest.approx(value(found.loss_coefficient), rel=0.05)


# --- the commands ------------------------------------------------------------------------------------------------


def run(command, *arguments: str):  # type: ignore[no-untyped-def]
    return CliRunner().invoke(command, list(arguments), standalone_mode=False)


def test_new_writes_a_file_that_check_reads_back(tmp_path) -> None:  # type: ignore[no-untyped-def]
    path = str(tmp_path / "spring.toml")
    assert run(site_command.command, "new", path).exit_code == 0
    shown = run(site_command.command, "check", path)
    assert shown.exit_code == 0
    assert "Fern Hollow spring" in shown.output
    assert "6.00 ± 0.24 ft" in shown.output
    again = run(site_command.command, "new", path)
    assert isinstance(again.exception, SiteError)
    assert "--force" in again.exception.hint
    assert run(site_command.command, "new", "--force", path).exit_code == 0
    assert run(site_command.command, "new", "-").output == template()


def test_check_shows_all_that_was_given_within_80_columns(tmp_path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.setenv("COLUMNS", "80")
    path = tmp_path / "spring.toml"
    path.write_text(
        PLAIN
        + 'pressure_rating = "150 psi"\n[delivery_pipe]\nlength = "200 ft"\nsize = "1/2 in sch 40"\n'
        + '[waste_valve]\nstroke = "3/8 in"\nweight = "4 oz"\ntilt = "10 deg"\n'
        + '[air_vessel]\nvolume = "2 L"\npressure_rating = "6 bar"\n[supply]\nflow = "3 gal/min"\n',
        encoding="utf-8",
    )
    shown = run(site_command.command, "check", str(path)).output
    for words in (
        "150 psi",
        "0.37 ± 0.04 in",
        "4.00 ± 0.24 oz",
        "10.0 deg",
        "2.00 ± 0.20 L",
        "6.00 bar",
        "3.00 ± 0.30 US gal",
    ):
        assert words in shown
    assert max(map(len, shown.splitlines())) <= 80
    assert max(map(len, run(predict_command.command, str(path)).output.splitlines())) <= 80
    found = json.loads(run(site_command.command, "check", "--json", str(path)).output)
    assert found["stroke_m"]["value"] == pytest.approx(9.525e-3, rel=0.01)
    assert found["delivery_pipe_m3"]["value"] == pytest.approx(60.96 * 1.96e-4, rel=0.01)  # 15.8 mm bore


def test_predict_prints_two_ways_their_bands_and_the_cautions(tmp_path) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "spring.toml"
    path.write_text(PLAIN, encoding="utf-8")
    shown = run(predict_command.command, str(path), "--rate", "120")
    assert shown.exit_code == 0
    for part in ("cycle model", "old efficiency table", "120.0 ± 2.4 per min", "L/min", "gal/min", "caution: "):
        assert part in shown.output
    found = json.loads(run(predict_command.command, str(path), "--stroke", "8 mm", "--json").output)
    assert found["schema"] == "clackcount.prediction/1"
    assert found["by_cycle"]["delivery_flow_m3_s"]["low95"] < found["by_cycle"]["delivery_flow_m3_s"]["high95"]
    assert found["cautions"]


@pytest.mark.parametrize(
    ("arguments", "kind", "says"),
    [
        (("nowhere.toml",), SiteError, "no such file"),
        (("SITE", "--rate", "6200"), QuantityError, "6200"),
        (("SITE", "--rate", "many"), QuantityError, "--rate"),
        (("SITE", "--stroke", "8"), QuantityError, "--stroke"),
    ],
)
def test_a_wrong_command_is_told_so(tmp_path, arguments, kind: type[ClackcountError], says: str) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "spring.toml"
    path.write_text(PLAIN, encoding="utf-8")
    result = run(predict_command.command, *(str(path) if a == "SITE" else a for a in arguments))
    assert isinstance(result.exception, kind)
    assert says in str(result.exception)
    assert result.exception.exit_code == 2


def test_a_file_that_is_no_text_is_told_so(tmp_path) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "ram.toml"
    path.write_bytes(b"\xff\xfe\x00\x01")
    assert isinstance(run(site_command.command, "check", str(path)).exception, SiteError)
    assert isinstance(run(site_command.command, "check", str(tmp_path)).exception, SiteError)


def test_keeping_a_measurement_changes_the_file_in_place(tmp_path) -> None:  # type: ignore[no-untyped-def]
    path = tmp_path / "spring.toml"
    path.write_text("# mine\n" + PLAIN, encoding="utf-8")
    found = measure(Site.read(PLAIN), (), Heard(100, (99, 101), open_s=0.45))
    site_command.keep_measurement(str(path), found, "by ear")
    assert path.read_text(encoding="utf-8").startswith("# mine")
    assert site_command.read_site(str(path)).calibration.note == "by ear"
