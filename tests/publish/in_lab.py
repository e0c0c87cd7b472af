"""JupyterLab as a user meets it: started by the verb, opened in Chromium, looked at."""

from __future__ import annotations

import os
import secrets
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from playwright.sync_api import Error as PlaywrightError

FIGURES = """() => [...document.querySelectorAll('img')].filter(i => i.src.startsWith('data:image/')).map(i => {
  const canvas = document.createElement('canvas');
  canvas.width = canvas.height = 60;
  const pen = canvas.getContext('2d');
  pen.drawImage(i, 0, 0, 60, 60);
  const dots = pen.getImageData(0, 0, 60, 60).data;
  let light = 0;
  const colours = new Set();
  for (let k = 0; k < dots.length; k += 4) {
    light += (dots[k] + dots[k + 1] + dots[k + 2]) / 3 * dots[k + 3] / 255;
    colours.add(dots.slice(k, k + 3).join());
  }
  const box = i.getBoundingClientRect();
  return {alt: i.alt, width: box.width, height: box.height, light: light / 3600, colours: colours.size};
})"""
DRAWN = """count => [...document.querySelectorAll('img')].filter(
  i => i.src.startsWith('data:image/') && i.complete && i.naturalWidth).length >= count"""
WRONG = """() => [...document.querySelectorAll('[data-mime-type$=stderr], [data-mime-type$=error]')]
  .map(e => e.textContent.slice(0, 400))"""
PROMPTS = "() => [...document.querySelectorAll('.jp-CodeCell .jp-InputPrompt')].map(e => e.textContent)"
ALL_CELLS = '.lm-Menu-item[data-command="runmenu:run-all"]'


def faults_of_figures(page: Any, count: int, patience_ms: int = 60_000) -> list[str]:
    """Return what is wrong with the figures a page shows, in words: black, empty, without words, missing."""
    with suppress(PlaywrightError):
        page.wait_for_function(DRAWN, arg=count, timeout=patience_ms)
    figures = page.evaluate(FIGURES)
    wrong = [f"{len(figures)} figures of {count}"] if len(figures) != count else []
    for each in figures:
        if not each["alt"] or each["width"] < 100 or each["height"] < 50:
            wrong.append(f"not to be seen or without words: {each}")
        if each["light"] < 150 or each["colours"] < 4:
            wrong.append(f"black or empty: {each}")
    return wrong + page.evaluate(WRONG)


@dataclass(frozen=True)
class Lab:
    """A running JupyterLab and a browser."""

    address: str
    token: str
    browser: Any

    @contextmanager
    def notebook(self, path: str) -> Iterator[Any]:
        """Open a notebook, tall enough for every cell to be drawn."""
        page = self.browser.new_page(viewport={"width": 1250, "height": 1000})
        page.set_default_timeout(120_000)
        page.goto(f"{self.address}/lab/tree/{path}?token={self.token}&reset")
        page.wait_for_selector(".jp-NotebookPanel:not(.lm-mod-hidden) .jp-Cell")
        page.set_viewport_size({"width": 1250, "height": 30_000})
        page.wait_for_timeout(1500)
        yield page
        page.close()


def run_all(page: Any) -> None:
    """Choose Run All Cells and wait until no cell runs or waits any more."""
    page.wait_for_selector('.jp-Notebook-ExecutionIndicator[data-status="idle"]')
    page.click(".lm-MenuBar-itemLabel >> text=Run")
    page.click(ALL_CELLS)
    end = time.monotonic() + 300
    while time.monotonic() < end:
        page.wait_for_timeout(500)
        prompts = page.evaluate(PROMPTS)
        if prompts and all(prompt.strip("[]: ").isdigit() for prompt in prompts):
            return
    raise AssertionError(f"cells did not end: {prompts}")


def turn_dark(page: Any) -> None:
    """Choose the dark theme in the settings menu."""
    page.click(".lm-MenuBar-itemLabel >> text=Settings")
    page.hover(".lm-Menu-item >> text=Theme")
    page.click(".lm-Menu-item >> text=JupyterLab Dark")
    page.wait_for_function("document.body.dataset.jpThemeLight === 'false'")


@contextmanager
def jupyterlab(folder: Path, home: Path, browser: Any) -> Iterator[Lab]:
    """Start `repeatburn lab` on a folder with a home of its own."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    token = secrets.token_hex(8)
    places = (
        "JUPYTER_CONFIG_DIR",
        "JUPYTER_DATA_DIR",
        "JUPYTERLAB_SETTINGS_DIR",
        "JUPYTERLAB_WORKSPACES_DIR",
    )
    environment = os.environ | {name: str(home / name) for name in (*places, "IPYTHONDIR")}
    options = ["--allow-root", f"--port={port}", "--port-retries=0", f"--IdentityProvider.token={token}"]
    with (home / "said.txt").open("wb") as said:
        command = [sys.executable, "-m", "kit", "lab", str(folder), "--no-browser", "--", *options]
        server = subprocess.Popen(command, env=environment, stdout=said, stderr=said, start_new_session=True)
    lab = Lab(f"http://127.0.0.1:{port}", token, browser)
    try:
        for _ in range(240):
            with suppress(OSError):
                urllib.request.urlopen(f"{lab.address}/api?token={token}")
                break
            time.sleep(0.5)
        yield lab
    finally:
        os.killpg(server.pid, 15)
        server.wait()
