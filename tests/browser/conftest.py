"""A headless Chromium, and a page to open in it. Tests are skipped where either is missing."""

from __future__ import annotations

import dataclasses
import shutil
from collections.abc import Iterator

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")


@pytest.fixture(scope="session")
def chromium(tmp_path_factory) -> Iterator:
    """The driver of one browser for all tests of a session."""
    if not (CHROMIUM and DRIVER):
        pytest.skip("Chromium and its driver are not installed (Debian: apt-get install chromium chromium-driver)")
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed (pip install '.[dev]')")
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    profile = tmp_path_factory.mktemp("profile")
    for argument in (
        "headless=new", "no-sandbox", "disable-gpu", "disable-quic", "no-first-run", "disable-background-networking",
        "disable-component-update", "disable-sync", "disable-dev-shm-usage", "hide-scrollbars", "mute-audio",
        "autoplay-policy=no-user-gesture-required", f"user-data-dir={profile}",
    ):  # fmt: skip
        options.add_argument(f"--{argument}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(DRIVER))
    yield driver
    driver.quit()


@pytest.fixture(scope="session")
def pages(tmp_path_factory, pytestconfig) -> dict[str, str]:
    """Addresses of pages: "whole", a stop with all of its sound; "pieces", the same cut into excerpts; "trials"."""
    import clackcount
    from clackcount.recording.excerpts import encode, read_excerpts
    from clackcount.report import as_html, keeping

    path = str(pytestconfig.rootpath / "sample_audio" / "leaf_in_valve.ogg")
    listening = clackcount.listen(path)
    assert listening.running.stops, "the sample has a stop, without which there is nothing to tap"
    folder = tmp_path_factory.mktemp("pages")
    addresses = {}
    for name, spans in (("whole", [(0.0, 50.0)]), ("pieces", [(2.0, 10.0), (15.0, 32.0)])):
        excerpts = read_excerpts(path, spans, 50.0)
        heard = as_html.Heard(
            listening, tuple(encode(each) for each in excerpts), keeping.best_profile(listening, excerpts), "0" * 64,
            cautions=("Drain it against frost.",),
        )  # fmt: skip
        page = as_html.render([heard] if name == "whole" else [heard, dataclasses.replace(heard, clips=())])
        (folder / f"{name}.html").write_text(page, encoding="utf-8")
        addresses[name] = (folder / f"{name}.html").as_uri()
    (folder / "trials.html").write_text(as_html.render([], trials()), encoding="utf-8")
    return addresses | {"trials": (folder / "trials.html").as_uri()}


def trials() -> list:
    """A setting advised, and one held against another."""
    from clackcount import model
    from clackcount.report.as_html import Trials

    at = tuple(5.0 + step for step in range(14))
    middle = tuple(0.6 - 0.002 * (x - 11) ** 2 for x in at)
    low, high = (tuple(value + by for value in middle) for by in (-0.03, 0.03))
    response = model.Response("delivered", "L/min", at, middle, low, high, ((6.0, 0.55), (10.0, 0.6), (14.0, 0.58)))
    choice = model.Choice("stroke", "mm", (response, response, response), (6.0, 14.0), 10.8, 18.0)
    ratios = (
        model.Ratio("delivered water", 1.22, 1.14, 1.3, "better"),
        model.Ratio("unevenness of the beat", 1.0, 0.41, 2.36, "not shown"),
    )
    row = (("15.2 *", ""), *((("0.065", "0.058 to 0.109"),) * 4))
    head = ("stroke, mm", "delivered, L/min", "wasted, L/min", "efficiency, %", "delivered/wasted")
    return [
        Trials(
            "Fern Hollow spring: which stroke, from 3 trials", "Best so far: stroke 10.8 mm, with 0.60 L/min.",
            "Try stroke 18.2 mm.", ("Go there in small steps.",), head, (row, row), "Under each: 95 %.",
            cautions=("Keep fingers out of the waste valve.",), choice=choice,
        ),
        Trials(
            "Trial 2 (stroke 10mm) against trial 1 (stroke 6mm)", "Delivered water: 22 % more.", "Keep trial 2.",
            head=("", "ratio, and its 95 %", "shown"),
            rows=((("delivered water", ""), ("1.22", "1.14 to 1.30"), ("better", "")),),
            lists=(("What was assumed", ("The same jug is taken to have served both sides.",)),), ratios=ratios,
        ),
    ]  # fmt: skip
