"""A real JupyterLab and a real browser for tests: what a person clicks and types, and what they see.

The browser is driven through its own DevTools protocol, so that nothing is needed but a
Chromium of the system; where there is none a test says so and is skipped.
"""

import base64
import json
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import websocket

from reviewkit.resources import resource

ROOT = Path(__file__).resolve().parents[1]
NAMES = ("chromium", "chromium-browser", "google-chrome")
TOKEN = "reviewkit"
WAIT_S = 60.0
KEYS = {
    "Tab": 9, "Enter": 13, "Space": 32, "PageUp": 33, "PageDown": 34, "End": 35, "Home": 36, "ArrowLeft": 37,
    "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40, "KeyD": 68,
}  # fmt: skip
TEXT = {"Enter": "\r", "Space": " ", "KeyD": "d"}
FOCUSED = """(() => { const e = document.activeElement; const l = e.labels && e.labels[0];
    return (l ? l.textContent : e.textContent).trim(); })()"""
# The page shows a kernel as idle before it has one; the server knows better.
KERNEL = """fetch('/api/kernels').then(told => told.json()).then(
    all => all.some(kernel => kernel.connections && kernel.execution_state === 'idle'))"""
CELLS = "document.querySelectorAll('.jp-Notebook .jp-Cell').length"


def browser() -> str:
    """The Chromium to drive, named by REVIEWKIT_CHROMIUM or found on the path; nothing where there is none."""
    named = os.environ.get("REVIEWKIT_CHROMIUM", "")
    return named or next((found for name in NAMES if (found := shutil.which(name))), "")


@dataclass
class Page:
    """A tab of the browser."""

    link: websocket.WebSocket
    sent: int = field(default=0)

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        self.sent += 1
        self.link.send(json.dumps({"id": self.sent, "method": method, "params": parameters}))
        while (told := json.loads(self.link.recv())).get("id") != self.sent:
            pass
        assert "error" not in told, (method, told["error"])
        return told["result"]

    def js(self, expression: str) -> Any:
        """Value of an expression in the page."""
        told = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in told, (expression, told["exceptionDetails"])
        return told["result"].get("value")

    def wait(self, expression: str, what: str = "") -> Any:
        """The value of an expression as soon as it is true; of an element, that it is there."""
        until = time.monotonic() + WAIT_S
        while not (value := self.js(f"(e => e instanceof Element || e)({expression})")):
            if time.monotonic() > until:
                pytest.fail(f"{what or expression} did not come; the page shows: {self.js('document.body.innerText')}")
            time.sleep(0.1)
        return value

    def click(self, element: str) -> None:
        """A click of the mouse on what an expression gives."""
        place = f"""(() => {{ const e = {element}; if (!e) return null; e.scrollIntoView({{block: 'center'}});
            const r = e.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; }})()"""
        x, y = self.wait(place, element)
        for kind in ("mouseMoved", "mousePressed", "mouseReleased"):
            self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def key(self, name: str) -> None:
        """A key pressed and let go."""
        text = TEXT.get(name, "")
        pressed = {"key": text.strip() or name.replace("Space", " "), "code": name, "windowsVirtualKeyCode": KEYS[name]}
        self.call("Input.dispatchKeyEvent", type="keyDown" if text else "rawKeyDown", text=text, **pressed)
        self.call("Input.dispatchKeyEvent", type="keyUp", **pressed)

    def type(self, words: str) -> None:
        """Words typed where the focus is."""
        self.call("Input.insertText", text=words)

    def shot(self, path: Path) -> None:
        """A picture of what the tab shows."""
        path.write_bytes(base64.b64decode(self.call("Page.captureScreenshot", format="png")["data"]))


@dataclass
class Panel:
    """A panel of widgets on a page, by the class that it gives itself."""

    page: Page
    name: str

    @property
    def element(self) -> str:
        """Expression for the panel."""
        return f"document.querySelector('.{self.name}')"

    def labelled(self, label: str) -> str:
        """Expression for the field that a label belongs to."""
        return f"""(() => {{ const l = [...document.querySelectorAll('.{self.name} label')].find(
            l => l.textContent.trim() === {json.dumps(label)}); return l && document.getElementById(l.htmlFor); }})()"""

    def slider(self, label: str) -> str:
        """Expression for the handle of the slider that a label stands before."""
        return f"""(() => {{ const l = [...document.querySelectorAll('.{self.name} label')].find(
            l => l.textContent.trim() === {json.dumps(label)}); return l && l.parentElement.querySelector(
            '.noUi-handle'); }})()"""

    def button(self, words: str) -> str:
        """Expression for a button."""
        return f"""[...document.querySelectorAll('.{self.name} button')].find(
            b => b.textContent.trim() === {json.dumps(words)} && b.offsetParent)"""

    def said(self, words: str) -> str:
        """The role in which the panel says something, as soon as that holds some words."""
        said = f"document.querySelector('.{self.name} .said')"
        self.page.wait(f"({said} || {{}}).textContent?.includes({json.dumps(words)})", words)
        return str(self.page.js(f"{said}.getAttribute('role')"))

    def stops(self, first: str, last: str) -> list[str]:
        """Labels of what the tabulator key comes to, from one field to another."""
        self.page.js(f"{self.labelled(first)}.focus()")
        found = [first]
        while found[-1] != last and len(found) < 40:
            self.page.key("Tab")
            here = self.page.js(FOCUSED)
            # A date has a stop for each of its parts.
            found += [here] if here != found[-1] else []
        return found


def menu(words: str) -> str:
    """Expression for an entry of the menu bar or of an open menu, by how it begins."""
    return f"""[...document.querySelectorAll('.lm-MenuBar-itemLabel, .lm-Menu-itemLabel')].find(
        e => e.textContent.startsWith({json.dumps(words)}) && e.offsetParent)"""


@contextmanager
def jupyterlab(folder: Path, workbook: str) -> Iterator[str]:
    """Address of a shipped workbook, copied into a folder, in a JupyterLab that knows no settings of this computer."""
    shutil.copy(resource("workbooks", workbook), folder)
    own = folder / ".jupyter"
    (own / "labconfig").mkdir(parents=True)
    quiet = {"disabledExtensions": {"@jupyterlab/apputils-extension:announcements": True}}
    (own / "labconfig" / "page_config.json").write_text(json.dumps(quiet))
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    search = os.pathsep.join([str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])])
    homes = {f"JUPYTER_{name}_DIR": str(own) for name in ("CONFIG", "DATA", "RUNTIME")}
    options = [f"--port={port}", f"--IdentityProvider.token={TOKEN}", f"--ServerApp.root_dir={folder}"]
    server = subprocess.Popen(
        [sys.executable, "-m", "jupyterlab", "--no-browser", "--ip=127.0.0.1", "--allow-root", *options],
        env=os.environ | homes | {"PYTHONPATH": search},
        cwd=folder,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    address = f"http://127.0.0.1:{port}"
    try:
        answered(f"{address}/api?token={TOKEN}", server)
        yield f"{address}/lab/tree/{workbook}?token={TOKEN}"
    finally:
        ended(server)


@contextmanager
def tab(tmp_path: Path) -> Iterator[Page]:
    """An empty tab of a browser with a profile of its own below a folder; skips the test without a browser."""
    program = browser()
    if not program:
        pytest.skip(f"no Chromium here: none of {', '.join(NAMES)} is on the path and REVIEWKIT_CHROMIUM is not set")
    profile = tmp_path / ".profile"
    alone = ["--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"]
    # Containers and root have no sandbox; the page is our own.
    drawn = ["--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--window-size=1500,1150"]
    running = subprocess.Popen(
        [program, *drawn, *alone, f"--user-data-dir={profile}", "--remote-debugging-port=0", "about:blank"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    link = None
    try:
        told = profile / "DevToolsActivePort"
        until = time.monotonic() + WAIT_S
        while not (told.exists() and told.read_text().count("\n")):
            assert running.poll() is None and time.monotonic() < until, f"{program} did not start"
            time.sleep(0.05)
        tabs = answered(f"http://127.0.0.1:{told.read_text().split()[0]}/json/list", running)
        empty = next(entry for entry in json.loads(tabs) if entry["type"] == "page")
        link = websocket.create_connection(empty["webSocketDebuggerUrl"], suppress_origin=True, timeout=WAIT_S)
        yield Page(link)
    finally:
        if link:
            link.close()
        ended(running)


def ended(process: subprocess.Popen[bytes]) -> None:
    """Ask a process to end, and end it when it does not."""
    process.terminate()
    try:
        process.wait(15)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def answered(address: str, process: subprocess.Popen[bytes]) -> bytes:
    """What a server answers as soon as it does."""
    until = time.monotonic() + WAIT_S
    while True:
        try:
            with urllib.request.urlopen(address, timeout=5) as answer:
                return bytes(answer.read())
        except OSError:
            assert process.poll() is None and time.monotonic() < until, f"nothing answers at {address}"
            time.sleep(0.1)


def run_all(page: Page, address: str, name: str) -> Panel:
    """Open a workbook and run it as a person does, until the panel of that name is there."""
    page.call("Page.navigate", url=address)
    page.wait("document.querySelector('.jp-NotebookPanel .jp-Notebook')")
    page.wait(KERNEL, "a kernel")
    page.click(menu("Run"))
    page.click(menu("Run All Cells"))
    panel = Panel(page, name)
    page.wait(panel.element, name)
    return panel
