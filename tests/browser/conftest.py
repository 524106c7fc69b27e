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
    """Addresses of two pages: "whole", a stop with all of its sound, and "pieces", the same cut into excerpts."""
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
    return addresses
