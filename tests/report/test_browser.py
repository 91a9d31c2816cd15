"""The page in a browser: sorting, filters, enlarging, zoom, keys, themes and print."""

import base64
import json
import re
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

import maskforge as mf
from maskforge import bench as benches
from maskforge.report.page.set_page import page_of_set
from maskforge.report.page.sweep_page import sweep_page
from maskforge.sets.reading import read_set
from maskforge.sweep.answer import Question, answered
from tests.sweep.sweeps import diagonal, launches, readings

webdriver = pytest.importorskip("selenium.webdriver")

from selenium.webdriver.chrome.service import Service  # noqa: E402
from selenium.webdriver.common.action_chains import ActionChains  # noqa: E402
from selenium.webdriver.common.by import By  # noqa: E402
from selenium.webdriver.common.keys import Keys  # noqa: E402
from selenium.webdriver.support.select import Select  # noqa: E402

pytestmark = pytest.mark.long

BROWSER, CONTROL = shutil.which("chromium"), shutil.which("chromedriver")

BENCH: dict[str, dict[str, Any]] = {
    "light": {"wavelength_nm": 1310.0, "waist_mm": 1.16},
    "modulator": {"pixels": [64, 64], "pitch_um": 60.0, "alphabet": "binary"},
    "lens": {"focal_length_mm": 8.0},
    "fiber": {"preset": "six-mode-graded"},
    "targets": {"orientations": 3},
    "design": {"purity": 0.99},
}
"""Two labels of one orientation and two of three: 8 masks."""

MODES = ["LP01", "LP11 cos", "LP11 sin", "LP02", "LP21 cos", "LP21 sin"]

LABELS = ["LP01", "LP11", "LP11", "LP11", "LP02", "LP21", "LP21", "LP21"]


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("browser")
    mf.design(benches.from_dict(BENCH, "page")).write(folder / "eight")
    figures = ["deg rms", "±0.294", "LP11 90 deg", "0.498", "10", "98.87", "98.88", "98.87", "2.17"]
    columns = ["cause", "unit", "costs 1 %", "worst mask", "costs median", "half-range"]
    columns += ["purity % least", "purity % median", "group purity %", "more loss dB"]
    rows = [["focal length", *figures], ["tilt of the fibre", *figures]]
    table = json.dumps({"columns": columns, "rows": rows})
    (folder / "eight" / "tolerance.json").write_text(table, "utf-8")
    place = folder / "page.html"
    place.write_text(page_of_set(read_set(folder / "eight")), "utf-8")
    return place


@pytest.fixture(scope="module")
def started(page: Path) -> Iterator[Any]:
    if BROWSER is None or CONTROL is None:
        pytest.skip("no browser to test in: the Debian packages chromium and chromium-driver")
    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--window-size=1280,1000"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(CONTROL))
    try:
        yield driver
    finally:
        driver.quit()


@pytest.fixture
def browser(started: Any, page: Path) -> Any:
    """The page as it opens from the disk."""
    started.get(page.as_uri())
    wait(lambda: started.find_element(By.ID, "matrix-view").is_displayed())
    return started


def wait(ready: Callable[[], Any]) -> Any:
    """What `ready` gives as soon as it is true."""
    end = time.monotonic() + 5
    while not (found := ready()):
        assert time.monotonic() < end, "nothing came of it"
        time.sleep(0.02)
    return found


def pages_shown(browser: Any) -> list[int]:
    """Numbers of the rows that are to be seen, from the top."""
    rows = browser.execute_script(
        "return [...document.querySelectorAll('#list tbody tr')].filter(r => r.offsetHeight)"
        ".map(r => Number(r.id.slice(1)))"
    )
    return [int(row) for row in rows]


def column(browser: Any, key: str) -> list[float]:
    """Values of a column of the data in the order of the rows shown."""
    script = "return value(...arguments)"
    return [browser.execute_script(script, index, key) for index in pages_shown(browser)]


def head(browser: Any, key: str) -> Any:
    return browser.find_element(By.CSS_SELECTOR, f"th[data-key={key}]")


def look(browser: Any, index: int) -> Any:
    return browser.find_element(By.CSS_SELECTOR, f"#m{index} button.look")


def focused(browser: Any) -> str:
    return str(browser.execute_script("return document.activeElement.closest('[id]')?.id"))


def test_it_opens_without_a_fetch_or_a_complaint(browser: Any, page: Path) -> None:
    """One request, that for the file; every picture is decoded."""
    sent = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    addresses = [
        message["params"]["request"]["url"]
        for message in sent
        if message["method"] == "Network.requestWillBeSent"
    ]
    outside = [address for address in addresses if not address.startswith("data:")]
    assert set(outside) == {page.as_uri()}
    assert browser.get_log("browser") == []
    assert browser.execute_script(
        "return [...document.images].filter(i => i.src).every(i => i.complete && i.naturalWidth)"
    )


def test_rows_sort(browser: Any) -> None:
    assert pages_shown(browser) == list(range(8))
    head(browser, "purity").find_element(By.TAG_NAME, "button").click()
    first = column(browser, "purity")
    assert first == sorted(first)
    assert pages_shown(browser) != list(range(8))
    assert head(browser, "purity").get_attribute("aria-sort") == "ascending"
    head(browser, "purity").find_element(By.TAG_NAME, "button").send_keys(Keys.ENTER)
    assert column(browser, "purity") == sorted(first, reverse=True)
    for key in ("label", "orientation", "group", "loss", "gap", "unwanted", "page"):
        head(browser, key).find_element(By.TAG_NAME, "button").click()
        found = column(browser, key)
        assert found == sorted(found)
    assert pages_shown(browser) == list(range(8))


def test_rows_filter(browser: Any) -> None:
    def choose(name: str, value: str) -> None:
        Select(browser.find_element(By.NAME, name)).select_by_value(value)

    choose("label", "LP11")
    assert pages_shown(browser) == [1, 2, 3]
    assert browser.find_element(By.ID, "count").text == "3 of 8 masks"
    group = Select(browser.find_element(By.NAME, "group"))
    assert [o.get_attribute("value") for o in group.options if o.is_enabled()] == ["", "2"]
    choose("orientation", "60")
    assert pages_shown(browser) == [2]
    browser.find_element(By.CSS_SELECTOR, "#filters [type=reset]").click()
    wait(lambda: pages_shown(browser) == list(range(8)))
    choose("group", "3")
    assert pages_shown(browser) == [4, 5, 6, 7]
    choose("orientation", "0")
    assert pages_shown(browser) == [4, 5]


def test_a_mask_enlarges(browser: Any) -> None:
    """By a click and by keys; Escape closes, and the focus is back at the mask that was shown."""
    large = browser.find_element(By.ID, "large")
    assert not large.is_displayed()
    look(browser, 2).click()
    assert large.is_displayed()
    title = browser.find_element(By.ID, "large-name")
    assert title.text == "LP11 60 deg"
    shown = large.find_elements(By.TAG_NAME, "img")
    own = look(browser, 2).find_elements(By.TAG_NAME, "img")
    assert [i.get_attribute("src") for i in shown] == [i.get_attribute("src") for i in own]
    assert shown[0].size["width"] > 3 * own[0].size["width"]
    assert len(shown) == 4
    cells = large.find_elements(By.CSS_SELECTOR, "#large-row i")
    assert [cell.get_attribute("title").split(":")[0] for cell in cells] == MODES
    assert [cell.get_attribute("class") == "none" for cell in cells] == [
        level < -60 for level in browser.execute_script("return data.table[2]")
    ]
    rows = large.find_elements(By.CSS_SELECTOR, "#large-modes tr")
    assert len(rows) == 6
    assert rows[0].text.startswith("LP11 ")
    assert "SHA-256" in browser.find_element(By.ID, "large-hash").text
    ActionChains(browser).send_keys(Keys.ESCAPE).perform()
    wait(lambda: not large.is_displayed() and focused(browser) == "m2")
    look(browser, 2).send_keys(Keys.ENTER)
    assert large.is_displayed()
    ActionChains(browser).send_keys(Keys.ARROW_RIGHT).perform()
    assert title.text == "LP11 120 deg"
    ActionChains(browser).send_keys(Keys.ARROW_LEFT, Keys.ARROW_LEFT, Keys.ARROW_LEFT).perform()
    assert title.text == "LP01 0 deg"
    ActionChains(browser).send_keys(Keys.ARROW_LEFT).perform()
    assert title.text == "LP01 0 deg"
    browser.find_element(By.ID, "after").click()
    assert title.text == "LP11 0 deg"
    browser.find_element(By.ID, "close").click()
    wait(lambda: not large.is_displayed() and focused(browser) == "m1")


def test_arrows_go_to_the_next_row_that_is_shown(browser: Any) -> None:
    Select(browser.find_element(By.NAME, "group")).select_by_value("3")
    look(browser, 4).send_keys(Keys.ARROW_UP)
    assert focused(browser) == "m4"
    browser.switch_to.active_element.send_keys(Keys.ARROW_DOWN)
    assert focused(browser) == "m5"
    browser.switch_to.active_element.send_keys(Keys.ARROW_DOWN, Keys.ARROW_DOWN)
    assert focused(browser) == "m7"


def view_of(browser: Any) -> str:
    """The picture of the launch matrix as it is drawn."""
    script = "return document.getElementById('matrix-view').toDataURL()"
    return str(browser.execute_script(script))


def matrix(browser: Any) -> Any:
    """The launch matrix, scrolled to."""
    view = browser.find_element(By.ID, "matrix-view")
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", view)
    return view


def test_the_launch_matrix_zooms_and_moves(browser: Any) -> None:
    view = matrix(browser)
    whole = view_of(browser)
    browser.find_element(By.CSS_SELECTOR, "[aria-label='Zoom in']").click()
    closer = view_of(browser)
    assert closer != whole
    browser.find_element(By.CSS_SELECTOR, "[aria-label='Zoom out']").click()
    assert view_of(browser) == whole
    browser.find_element(By.CSS_SELECTOR, "[aria-label='Zoom in']").click()
    ActionChains(browser).drag_and_drop_by_offset(view, -40, 0).perform()
    assert view_of(browser) != closer


def test_the_launch_matrix_by_keys(browser: Any) -> None:
    view = matrix(browser)
    view.send_keys(Keys.ARROW_RIGHT, Keys.ARROW_DOWN)
    assert browser.find_element(By.ID, "matrix-says").text.startswith("LP11 0 deg into LP11 cos: −")
    whole = view_of(browser)
    view.send_keys("+")
    assert view_of(browser) != whole
    view.send_keys("-")
    assert view_of(browser) == whole
    view.send_keys("+", "+")
    view.send_keys("0")
    assert view_of(browser) == whole
    view.send_keys(Keys.ENTER)
    assert browser.find_element(By.ID, "large-name").text == "LP11 0 deg"


def test_the_wheel_zooms_what_was_clicked(browser: Any) -> None:
    """Before, it scrolls the page as everywhere."""
    view = matrix(browser)
    whole = view_of(browser)
    wheel(browser, view)
    time.sleep(0.2)
    assert view_of(browser) == whole
    matrix(browser).send_keys(Keys.ARROW_RIGHT)
    whole = view_of(browser)
    wheel(browser, view)
    wait(lambda: view_of(browser) != whole)


def wheel(browser: Any, view: Any) -> None:
    box = browser.execute_script("return arguments[0].getBoundingClientRect().toJSON()", view)
    browser.execute_cdp_cmd(
        "Input.dispatchMouseEvent",
        {
            "type": "mouseWheel",
            "x": box["x"] + 200,
            "y": box["y"] + 40,
            "deltaX": 0,
            "deltaY": -120,
        },
    )


def test_what_lies_under_the_pointer(browser: Any) -> None:
    """The cell in the middle of the picture, by its place alone."""
    view = browser.find_element(By.ID, "matrix-view")
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", view)
    box = browser.execute_script("return arguments[0].getBoundingClientRect().toJSON()", view)
    for mask, mode in ((0, 0), (5, 4), (7, 5)):
        x, y = 86 + (mask + 0.5) * 44, 4 + (mode + 0.5) * 26
        browser.execute_cdp_cmd(
            "Input.dispatchMouseEvent",
            {"type": "mouseMoved", "x": box["x"] + x, "y": box["y"] + y},
        )
        said = browser.find_element(By.ID, "matrix-says").text
        assert said.startswith(f"{LABELS[mask]} ")
        level = browser.execute_script("return data.table[arguments[0]][arguments[1]]", mask, mode)
        number = re.search(r"−?\d+(\.\d)? dB$", said)
        assert number is not None
        assert float(number[0][:-3].replace("−", "-")) == pytest.approx(level, abs=1e-9)


def paper(browser: Any) -> str:
    return str(browser.execute_script("return getComputedStyle(document.body).backgroundColor"))


def test_light_and_dark(browser: Any) -> None:
    def prefer(theme: str) -> None:
        features = [{"name": "prefers-color-scheme", "value": theme}]
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})

    prefer("light")
    light = paper(browser)
    assert light == "rgb(255, 255, 255)"
    prefer("dark")
    dark = wait(lambda: paper(browser) != light and paper(browser))
    button = browser.find_element(By.ID, "theme")
    wait(lambda: button.text == "Light page")
    button.click()
    assert paper(browser) == light
    assert button.text == "Dark page"
    prefer("light")
    button.click()
    assert paper(browser) == dark


def sideways(browser: Any) -> list[str]:
    """Tables, drawings and what holds them that reach beyond the page's right edge."""
    script = """
        const width = document.documentElement.clientWidth;
        return [...document.querySelectorAll("main table, main svg, main canvas, main .scroll")]
          .filter((e) => e.getBoundingClientRect().right > width || (
            e.classList.contains("scroll") && e.scrollWidth > e.clientWidth + 1))
          .map((e) => `${e.tagName} in ${e.closest("section").id}`);"""
    return [str(found) for found in browser.execute_script(script)]


def test_print_is_a4_and_light(browser: Any) -> None:
    """A4 is 595 x 842 points (ISO 216); no row is cut, which a PDF does not tell."""
    browser.find_element(By.ID, "theme").click()
    printed = browser.execute_cdp_cmd(
        "Page.printToPDF", {"preferCSSPageSize": True, "printBackground": True}
    )
    content = base64.b64decode(printed["data"])
    sizes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", content)
    assert 2 <= len(sizes) <= 6
    for width, height in sizes:
        assert float(width) == pytest.approx(595.28, abs=1)
        assert float(height) == pytest.approx(841.89, abs=1)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    assert paper(browser) in ("rgba(0, 0, 0, 0)", "rgb(255, 255, 255)")
    assert not browser.find_element(By.ID, "matrix-view").is_displayed()
    assert browser.find_element(By.ID, "matrix-still").is_displayed()
    # 184 mm between the margins are 695 of CSS's pixels: nothing is cut, no bar to scroll by
    size = {"width": 695, "height": 980, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    assert sideways(browser) == []
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


def test_without_scripts(started: Any, page: Path) -> None:
    """Tables and pictures are there; controls that would do nothing are not."""
    started.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        started.get(page.as_uri())
        rows = started.find_elements(By.CSS_SELECTOR, "#list tbody tr")
        assert [row.is_displayed() for row in rows] == [True] * 8
        assert started.find_element(By.ID, "matrix-still").is_displayed()
        assert "tilt of the fibre" in started.find_element(By.ID, "tolerance").text
        controls = started.find_elements(By.CSS_SELECTOR, "button, select")
        assert controls
        assert not any(control.is_displayed() for control in controls)
    finally:
        started.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


def test_the_page_of_a_sweep(started: Any, tmp_path: Path) -> None:
    """Sorts, turns dark, and complains of nothing."""
    launched = launches(3, 2)
    device = diagonal(launched.basis, [[0.9, 0.5, 0.1], [0.1, 0.4, 0.8]])
    answer = answered(readings(device, launched, 5), launched, Question(draws=2))
    place = tmp_path / "sweep.html"
    place.write_text(sweep_page(answer, "a sweep", None), "utf-8")
    started.get(place.as_uri())
    assert started.get_log("browser") == []
    assert len(started.find_elements(By.CSS_SELECTOR, ".spark path.curve")) >= 4
    head = started.find_element(By.CSS_SELECTOR, "#groups th button")
    groups = "return [...document.querySelectorAll('#groups tbody tr')].map(r => r.innerText)"
    before = started.execute_script(groups)
    head.click()
    head.click()
    assert started.execute_script(groups) == before[::-1]
    light = paper(started)
    started.find_element(By.ID, "theme").click()
    assert paper(started) != light


@pytest.mark.parametrize("width", [390, 420, 820, 1120, 1280])
def test_nothing_sticks_out(browser: Any, width: int) -> None:
    """No side scroll of the page or of a part of it, on a phone either."""
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    time.sleep(0.1)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    assert sideways(browser) == []
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
