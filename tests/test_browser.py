"""The meeting in a real JupyterLab and a real browser: what a person types is in the record.

The browser is driven through its own DevTools protocol, so that nothing is needed but a
Chromium of the system; where there is none the test says so and is skipped.
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
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import trimesh
import websocket

from reviewkit import checks
from reviewkit import review as front
from reviewkit.decisions import decide, standing
from reviewkit.document.files import write_review
from reviewkit.figures import drawings
from reviewkit.record import Kind, Record
from reviewkit.resources import resource

ROOT = Path(__file__).resolve().parents[1]
NAMES = ("chromium", "chromium-browser", "google-chrome")
TOKEN = "meeting"
WAIT_S = 60.0
KEYS = {"Tab": 9, "Enter": 13, "Space": 32, "ArrowDown": 40, "ArrowUp": 38, "KeyD": 68}
TEXT = {"Enter": "\r", "Space": " ", "KeyD": "d"}


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

    def said(self, words: str) -> str:
        """What the panel says and in which role, as soon as it holds some words."""
        self.wait(f"({SAID} || {{}}).textContent?.includes({json.dumps(words)})", words)
        return str(self.js(f"{SAID}.getAttribute('role')"))

    def shot(self, path: Path) -> None:
        """A picture of what the tab shows."""
        path.write_bytes(base64.b64decode(self.call("Page.captureScreenshot", format="png")["data"]))


def labelled(label: str) -> str:
    """Expression for the field that a label belongs to."""
    return f"""(() => {{ const l = [...document.querySelectorAll('.reviewkit-meeting label')].find(
        l => l.textContent.trim() === {json.dumps(label)}); return l && document.getElementById(l.htmlFor); }})()"""


def button(words: str) -> str:
    """Expression for a button of the panel."""
    return f"""[...document.querySelectorAll('.reviewkit-meeting button')].find(
        b => b.textContent.trim() === {json.dumps(words)} && b.offsetParent)"""


def menu(words: str) -> str:
    """Expression for an entry of the menu bar or of an open menu, by how it begins."""
    return f"""[...document.querySelectorAll('.lm-MenuBar-itemLabel, .lm-Menu-itemLabel')].find(
        e => e.textContent.startsWith({json.dumps(words)}) && e.offsetParent)"""


FOCUSED = """(() => { const e = document.activeElement; const l = e.labels && e.labels[0];
    return (l ? l.textContent : e.textContent).trim(); })()"""
# The page shows a kernel as idle before it has one; the server knows better.
KERNEL = """fetch('/api/kernels').then(told => told.json()).then(
    all => all.some(kernel => kernel.connections && kernel.execution_state === 'idle'))"""
SAID = "document.querySelector('.reviewkit-meeting .said')"
CELLS = "document.querySelectorAll('.jp-Notebook .jp-Cell').length"


@pytest.fixture
def folder(tmp_path) -> Path:
    """A folder as `reviewkit open` leaves it, with one review of a plate whose wall is too thin."""
    plate = trimesh.creation.box(bounds=[(0, 0, 0), (30, 20, 3)])
    wall = trimesh.creation.box(bounds=[(5, 5, 2), (25, 5.3, 12)])
    trimesh.boolean.union([plate, wall]).export(tmp_path / "fence.stl")
    case = front.opened(tmp_path / "fence.stl", units="mm")
    some = [check for check in checks.CHECKS if check.code in ("PR-01", "PR-04")]
    made = front.concluded(case, front.judged(case, some))
    write_review(made, drawings(made), tmp_path / "out" / "fence")
    shutil.copy(resource("workbooks", "meeting.ipynb"), tmp_path)
    return tmp_path


@pytest.fixture
def lab(folder) -> Iterator[str]:
    """Address of the workbook in a JupyterLab that knows no settings of this computer."""
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
        yield f"{address}/lab/tree/meeting.ipynb?token={TOKEN}"
    finally:
        ended(server)


@pytest.fixture
def page(tmp_path) -> Iterator[Page]:
    """An empty tab of a browser with a profile of its own."""
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
        tab = next(entry for entry in json.loads(tabs) if entry["type"] == "page")
        link = websocket.create_connection(tab["webSocketDebuggerUrl"], suppress_origin=True, timeout=WAIT_S)
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


def run_all(page: Page, address: str) -> None:
    """Open a workbook and run it as a person does."""
    page.call("Page.navigate", url=address)
    page.wait("document.querySelector('.jp-NotebookPanel .jp-Notebook')")
    page.wait(KERNEL, "a kernel")
    page.click(menu("Run"))
    page.click(menu("Run All Cells"))
    page.wait("document.querySelector('.reviewkit-meeting')")


def stops(page: Page, first: str, last: str) -> list[str]:
    """Labels of what the tabulator key comes to, from one field to another."""
    page.js(f"{labelled(first)}.focus()")
    found = [first]
    while found[-1] != last and len(found) < 40:
        page.key("Tab")
        here = page.js(FOCUSED)
        # A date has a stop for each of its parts.
        found += [here] if here != found[-1] else []
    return found


def test_what_is_typed_in_a_browser_is_in_the_record(page, lab, folder):
    run_all(page, lab)
    page.click(labelled("Your name"))
    page.type("Ada Review")
    page.key("Tab")
    page.click(button("Put on record"))
    assert page.said("On record") == "status"

    # Letters and arrows on a list are for the list: twice d would have the notebook delete the cell of the panel.
    finding, cells = labelled("Finding"), page.js(CELLS)
    page.js(f"{finding}.focus()")
    for name in ("KeyD", "KeyD", "ArrowDown"):
        page.key(name)
    assert page.js(CELLS) == cells and page.js(f"{finding}.selectedIndex") == 1
    page.key("ArrowUp")
    assert page.js(f"{finding}.selectedIndex") == 0 and page.js(FOCUSED) == "Finding"

    page.js("document.querySelector('.reviewkit-meeting input[data-value=rework]').focus()")
    page.key("Space")
    page.wait(f"!{labelled('Owner')}.disabled")
    assert page.js(f"{labelled('Approver')}.disabled") is True
    assert stops(page, "Your name", "Record outcome") == [
        "Your name", "Part", "Refresh", "need a decision", "all", "Finding", "rework", "concession", "not applicable",
        "defer", "Owner", "Due", "Reason", "Record decision", "Outcome", "Why", "Record outcome",
    ]  # fmt: skip

    page.js(f"{labelled('Owner')}.focus()")
    page.type("Ben Draw")
    due = "e.value = '2999-01-31'; e.dispatchEvent(new Event('change', {bubbles: true}))"
    page.js(f"(e => {{ {due} }})({labelled('Due')})")
    page.js(f"{button('Record decision')}.focus()")
    page.key("Enter")
    assert page.said("needs a reason") == "alert"

    # Somebody else, in another process, decides on the same finding while the reason is being typed.
    page.js(f"{labelled('Reason')}.focus()")
    page.type("wall to 0.8 mm <b>")
    record = Record(folder / "records")
    reviewed = next(event for event in record.events() if event.kind is Kind.REVIEWED)
    seen = standing(record, reviewed.number, reviewed.revision)
    assert "whole part" in page.js("document.querySelector('.reviewkit-meeting table.findings').textContent")
    key = next(key for key in seen.undecided if key.endswith(":part"))
    decide(record, seen, key, "defer", "Cy Check", "for the toolmaker", owner="Ben Draw", due="2999-01-31")
    page.key("Tab")
    page.key("Enter")
    assert page.said("was changed since you looked") == "alert"
    assert "Decided: defer: for the toolmaker" in page.js("document.querySelector('.reviewkit-meeting').textContent")
    assert page.js(f"{labelled('Reason')}.value") == "wall to 0.8 mm <b>"
    page.key("Enter")
    assert page.said("Recorded: rework") == "status"

    taken = [event for event in record.events() if event.kind is Kind.DISPOSITION]
    assert [event.who for event in taken] == ["Cy Check", "Ada Review"]
    assert taken[-1].data == {
        "finding": key, "disposition": "rework", "reason": "wall to 0.8 mm <b>", "owner": "Ben Draw",
        "due": "2999-01-31",
    }  # fmt: skip
    assert standing(record, reviewed.number, reviewed.revision).decisions[key].who == "Ada Review"
    assert record.verify() == ()
