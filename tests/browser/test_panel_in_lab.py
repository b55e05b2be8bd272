"""The what-if panel in a real JupyterLab, 900 pixels wide: it answers, moves, compares, and squeezes nothing."""

import os
import re
import shutil
import socket
import subprocess
import sys
from contextlib import closing

import face
import pytest

from filmdose.whatif import what_if

pytestmark = pytest.mark.browser

NARROW = (900, 2600)
PATIENCE_S = 180


@pytest.fixture(scope="module")
def lab(tmp_path_factory):
    """Address of a JupyterLab in a folder with the notebook."""
    folder = tmp_path_factory.mktemp("lab")
    shutil.copy(face.ROOT / "notebooks" / "what_if.ipynb", folder)
    with closing(socket.socket()) as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    own = {f"JUPYTER_{name}_DIR": str(folder / name.lower()) for name in ("CONFIG", "DATA", "RUNTIME")}
    words = [
        *(sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", f"--port={port}", "--port-retries=0"),
        *("--ServerApp.token=", "--ServerApp.password=", f"--ServerApp.root_dir={folder}"),
        "--LabApp.news_url=None",
    ]
    with (folder / "log").open("wb") as log:
        server = subprocess.Popen(words, env={**os.environ, **own}, stdout=log, stderr=log, cwd=folder)
    yield f"http://127.0.0.1:{port}/lab/tree/what_if.ipynb?reset", folder / "log", server
    server.terminate()
    server.wait(30)


@pytest.fixture(scope="module")
def page(lab, browser):
    """The open notebook after the first cells ran, with the panel on it."""
    from selenium.common.exceptions import WebDriverException
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys
    from selenium.webdriver.support.ui import WebDriverWait

    address, log, server = lab
    before = browser.get_window_size()
    browser.set_window_size(*NARROW)
    wait = WebDriverWait(browser, PATIENCE_S, ignored_exceptions=(WebDriverException,))

    def opened(driver):
        assert server.poll() is None, log.read_text(encoding="utf-8", errors="replace")
        driver.get(address)
        return WebDriverWait(driver, 40).until(lambda d: d.find_elements(By.CSS_SELECTOR, ".jp-Cell .cm-content"))

    wait.until(opened)

    def started(driver):
        """Run imports, the words between, and the panel; again where the page was not ready for the keys."""
        first = driver.find_elements(By.CSS_SELECTOR, ".jp-CodeCell .cm-content")[0]
        ActionChains(driver).click(first).perform()
        for _ in range(3):
            ActionChains(driver).key_down(Keys.SHIFT).send_keys(Keys.ENTER).key_up(Keys.SHIFT).pause(0.5).perform()
        return WebDriverWait(driver, 30).until(lambda d: d.find_elements(By.CSS_SELECTOR, ".widget-checkbox input"))

    wait.until(started)
    wait.until(words)
    yield browser
    browser.set_window_size(before["width"], before["height"])
    browser.get("about:blank")


def words(driver):
    """What the sides of the panel say, each from its headline on."""
    texts = driver.execute_script("return [...document.querySelectorAll('.widget-html-content')].map(e => e.innerText)")
    return [text for text in texts if text.startswith(("EI ", "Expose", "Lost", "Exposed"))]


def control(driver, title):
    """The visible controls with that label."""
    from selenium.webdriver.common.by import By

    found = driver.find_elements(By.CSS_SELECTOR, ".widget-hslider, .widget-dropdown")
    shown = [each for each in found if each.is_displayed()]
    return [each for each in shown if each.find_element(By.CSS_SELECTOR, "label").text == title]


def changed(driver, old):
    from selenium.webdriver.support.ui import WebDriverWait

    return WebDriverWait(driver, PATIENCE_S).until(lambda d: words(d) != old and words(d))


def test_it_answers_as_the_library_does_and_follows_a_slider(page):
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    shown = words(page)[0]
    code = page.find_elements(By.CSS_SELECTOR, ".widget-textarea textarea")
    told = code[1].get_property("value")
    assert told.startswith("filmdose roll ")
    (slider,) = control(page, "cabin-ct")
    count = int(slider.find_element(By.CSS_SELECTOR, ".widget-readout").text)
    slider.find_element(By.CSS_SELECTOR, ".noUi-handle").send_keys(Keys.ARROW_RIGHT)
    after = changed(page, [shown])[0]
    assert f"cabin-ct={count + 1}" in code[1].get_property("value")
    # the code that the panel tells gives the line that it shows
    names = {}
    exec(re.sub(r"print\(.*\)", "", code[0].get_property("value")), names)
    assert names["found"].headline == after.splitlines()[0]
    assert isinstance(names["found"], type(what_if(speed=400, samples=64)))


def test_no_control_is_squeezed(page):
    sizes = page.execute_script(
        "return [...document.querySelectorAll('.widget-hslider, .widget-dropdown')].filter(e => e.offsetParent)"
        ".map(e => [e.querySelector('label').textContent, e.offsetWidth, e.scrollWidth, e.clientWidth])"
    )
    assert len(sizes) > 10
    assert [name for name, width, *_ in sizes if width < 250] == []
    assert [name for name, _, inside, own in sizes if inside > own + 1] == []
    wide = page.execute_script(
        "const e = document.querySelector('.jp-OutputArea-output .widget-vbox'); return [e.scrollWidth, e.clientWidth]"
    )
    assert wide[0] <= wide[1] + 1


def test_two_rolls_stand_side_by_side(page):
    from selenium.webdriver.common.by import By

    old = words(page)
    box = page.find_elements(By.CSS_SELECTOR, ".widget-checkbox input")[0]
    page.execute_script("arguments[0].click()", box)
    both = changed(page, old)
    assert len(both) == 2
    assert both[0].splitlines()[0] == both[1].splitlines()[0]
    assert "B against A" in page.find_element(By.CSS_SELECTOR, "body").text
