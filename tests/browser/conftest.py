"""One headless Chromium for all tests of this room."""

import shutil

import pytest


@pytest.fixture(scope="session")
def browser():
    from selenium import webdriver
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    programs = [shutil.which("chromium"), shutil.which("chromedriver")]
    assert all(programs), "tests marked browser need the programs chromium and chromedriver"
    options = Options()
    options.binary_location = programs[0]
    for word in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--window-size=600,900"):
        options.add_argument(word)
    options.set_capability("goog:loggingPrefs", {"performance": "ALL", "browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(programs[1]))
    yield driver
    driver.quit()
