"""From a bare mesh to a marked submission: look at the part, take or change suggestions, mark, order, review.

The panel holds no rule: what is suggested comes from :mod:`reviewkit.suggestions`, what is
refused from :mod:`reviewkit.submission`, in its own words.  A mark made by a person is confirmed;
a suggestion that nobody decided on is written as suggested, and the review says so.
"""

import html
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import ipywidgets as widgets
import numpy as np

from reviewkit.document.files import read_review
from reviewkit.document.show import summary
from reviewkit.document.text import counted, display_text, size_text
from reviewkit.errors import ReviewError, SubmissionError
from reviewkit.intake_flow import opened_intake, save_intake
from reviewkit.measure.motion import moved
from reviewkit.model import Origin
from reviewkit.panels.intake.draft import Answer, Draft
from reviewkit.panels.intake.hand import hand_of, hand_words
from reviewkit.panels.intake.marking import ARROW, FIELD, MarkForm
from reviewkit.panels.intake.order import OrderForm
from reviewkit.panels.intake.page import CLASS, look
from reviewkit.panels.intake.sheet import Sheet, image_of, inside
from reviewkit.part import Part
from reviewkit.review import default_folder
from reviewkit.submission import (
    MM_PER_UNIT,
    Motion,
    MotionKind,
    Region,
    RegionKind,
    Submission,
)
from reviewkit.suggestions import Suggestion

Reviewer = Callable[..., Path]

PART, SUGGESTED, MARKING, ORDER, REVIEW = STEPS = ("The part", "Suggestions", "Marking", "Order", "Write and review")
_NEW = ""


class IntakePanel(widgets.VBox):  # type: ignore[misc]
    """Mark a mesh, or the meshes of a folder, and hand it to the review.

    Parameters
    ----------
    source : str or Path
        A mesh, a folder of meshes, or a folder with ``submission.toml``.
    folder : str or Path
        Where ``submission.toml`` is written, with the meshes beside it; empty: where the meshes are.
    out : str or Path
        Where the documents of the review go; empty: below ``out``.
    reviewer : callable
        As :func:`reviewkit.workbook.documented`.
    progress : callable
        Called with a few words as each step of reading begins.

    Raises
    ------
    ReviewError
        When there is nothing that can be read.
    """

    def __init__(
        self,
        source: str | Path,
        folder: str | Path,
        out: str | Path,
        reviewer: Reviewer,
        progress: Callable[[str], None] = lambda _: None,
    ) -> None:
        self._source, self._folder, self._out = Path(source), folder, out
        self._reviewer = reviewer
        self._progress = progress
        self._still = False
        self._job: threading.Thread | None = None
        self._build()
        self._watch()
        super().__init__([widgets.HTML(look()), self._head, self._body])
        self.add_class(CLASS)
        self._open("")
        # Read again later, the panel itself says how far it is.
        self._progress = self._say

    # --- what stands where: the order here is the order of the tabulator key

    def _build(self) -> None:
        self.part = widgets.Dropdown(description="Part", **FIELD)
        self.step = widgets.ToggleButtons(options=STEPS, style={"button_width": "auto"})
        self.picture, self.over, self.caption = widgets.HTML(), widgets.HTML(), widgets.HTML()
        self.drag = widgets.Text(layout={"display": "none"})
        self.drag.add_class(f"{CLASS}-drag")
        self.over.add_class(f"{CLASS}-over")
        self.said = widgets.HTML()

        self.units = widgets.Dropdown(description="Unit", **FIELD)
        self.confirm = _button("Confirm unit", "Say that the mesh is in this unit; another one is read again")
        self.launched = widgets.Dropdown(description="Launched by", **FIELD)
        self.told = widgets.HTML()

        self.suggestion = widgets.Select(description="Suggested", rows=9, **FIELD)
        self.reason = widgets.HTML()
        self.at = widgets.FloatSlider(description="Moved", min=0.0, max=1.0, **FIELD)
        self.accept = _button("Accept", "It is so: confirmed in your name")
        self.change = _button("Change", "Take it over into the marking and change it there")
        self.drop = _button("Drop", "It is not so: leave it out")
        self.rest = _button("Accept all that are open", "Confirm every suggestion for this part that is still open")

        self.region = widgets.Dropdown(description="Region", **FIELD)
        self.mark = MarkForm(self._draft)
        self.keep = _button("Keep region", "Take the region into the submission")
        self.remove = _button("Remove region", "Take the region out of the submission")

        self.order = OrderForm(self._order_changed)

        self.write = _button("Write submission.toml", "Write what is known and check it at once")
        self.hand_over = _button("Hand over to the review", "Write it, run the review and link its document")
        self.progress = widgets.IntProgress(description="Review", min=0, max=1, layout={"width": "auto"})
        self.doing = widgets.HTML()
        self.document = widgets.Output()
        self.found = widgets.HTML()

        boxes = {
            PART: [self.units, self.confirm, self.launched, self.told],
            SUGGESTED: [
                self.suggestion, self.reason, self.at, _row(self.accept, self.change, self.drop), self.rest,
            ],
            MARKING: [self.region, self.mark, _row(self.keep, self.remove)],
            ORDER: [self.order],
            REVIEW: [_row(self.write, self.hand_over), self.progress, self.doing, self.document, self.found],
        }  # fmt: skip
        self.steps = {step: widgets.VBox(children) for step, children in boxes.items()}
        self._sheet_box = widgets.Box([self.picture, self.over])
        self._sheet_box.add_class(f"{CLASS}-sheet")
        self._head = widgets.HBox([self.part, self.step], layout=widgets.Layout(flex_flow="row wrap", grid_gap="4px"))
        left = widgets.VBox(
            [self._sheet_box, self.caption, self.drag], layout=widgets.Layout(flex="3 1 30em", min_width="0")
        )
        right = widgets.VBox([*self.steps.values(), self.said], layout=widgets.Layout(flex="2 1 23em", min_width="0"))
        self._body = widgets.HBox(
            [left, right], layout=widgets.Layout(flex_flow="row wrap", grid_gap="16px", align_items="flex-start")
        )

    def _watch(self) -> None:
        for widget, act in (
            (self.part, self._show_part), (self.step, self._step), (self.suggestion, self._show_suggestion),
            (self.at, self._draw), (self.region, self._load_region), (self.launched, self._launch),
            (self.drag, self._dragged),
        ):  # fmt: skip
            widget.observe(lambda _, act=act: None if self._still else act(), names="value")
        self.mark.drag.observe(lambda _: self._draw(), names="value")
        presses: list[tuple[widgets.Button, Callable[[], object]]] = [
            (self.confirm, self._confirm_unit),
            (self.accept, lambda: self._answer(Answer.ACCEPTED)),
            (self.drop, lambda: self._answer(Answer.DROPPED)),
            (self.change, self._change),
            (self.rest, self._accept_rest),
            (self.keep, self._keep),
            (self.remove, self._remove),
            (self.write, self._write),
            (self.hand_over, self._review),
        ]
        for button, press in presses:
            button.on_click(lambda _, press=press: press())

    # --- the acts: one call each

    @property
    def submission(self) -> Submission:
        """The submission as marked, with what was typed into the order.

        Raises
        ------
        SubmissionError
            When the format refuses what was typed.
        """
        return self.order.applied(self.draft.submission)

    def _open(self, units: str) -> None:
        """Read the source, in a unit where one is given, and begin."""
        opened = opened_intake(self._source, units=units, progress=self._progress)
        self.draft = Draft(opened.submission, opened.suggestions)
        self._parts: dict[str, Part] = {w.part.id: w.part for w in opened.workpieces}
        self._sheets = {name: Sheet(part) for name, part in self._parts.items()}
        self._editing = _NEW
        self._block: tuple[object, Any] = (None, None)
        before = self.part.value
        with self._unwatched():
            self.part.options = [(display_text(f"{p.name or p.id} ({p.file})", 60), p.id) for p in self._parts.values()]
            self.part.value = before if before in self._parts else next(iter(self._parts))
            self.order.load(self.draft.submission)
        self._show_part()

    def _confirm_unit(self) -> None:
        unit = self.units.value
        try:
            if any(part.units != unit for part in self._parts.values()):
                self._open(unit)
        except ReviewError as error:
            self._say(str(error), refused=True)
            return
        self.draft.confirm_units(unit)
        self._show()
        self._say(f"The unit is confirmed: {unit}.")

    def _launch(self) -> None:
        part, by = self.part.value, self.launched.value
        self._act(lambda: self.draft.launch(part, by), f"{part} is launched by {by or 'nothing'}.")
        self._show_part()

    def _answer(self, answer: Answer) -> None:
        chosen = self._chosen
        if chosen and self._act(
            lambda: self.draft.answer(chosen.key, answer), f"{answer.capitalize()}: {chosen.title}."
        ):
            self._list_suggestions(onward=True)

    def _accept_rest(self) -> None:
        self._act(lambda: self.draft.accept_rest(self.part.value), "Accepted: every suggestion that was open.")
        self._list_suggestions()

    def _change(self) -> None:
        """Take the chosen suggestion over into the marking."""
        chosen = self._chosen
        if chosen is None or chosen.region is None:
            return
        if self.draft.answers[chosen.key] is Answer.DROPPED:
            self._act(lambda: self.draft.answer(chosen.key, Answer.OPEN), "")
        self.step.value = MARKING
        self._list_regions(chosen.region.name)

    def _keep(self) -> None:
        try:
            region, motion = self.mark.region(self.part.value), self.mark.motion()
        except SubmissionError as error:
            self._say(f"Refused: {error}", refused=True)
            return
        before = self._editing
        if self._act(lambda: self.draft.keep(before, region, motion), f"Kept: {region.name}, {region.kind}."):
            self._list_regions(region.name)

    def _remove(self) -> None:
        name = self._editing
        if self._act(lambda: self.draft.remove(name), f"Removed: {name}."):
            self._list_regions(_NEW)

    def _act(self, act: Callable[[], object], told: str) -> bool:
        """Do what may be refused, and tell which it was."""
        try:
            act()
        except SubmissionError as error:
            self._say(f"Refused: {_bare(error)}", refused=True)
            return False
        self._say(told)
        return True

    def _write(self) -> Path | None:
        """Write the submission; nothing when it was refused."""
        try:
            path = save_intake(self.submission, Path(self._folder or self.draft.base.folder or "."))
        except ReviewError as error:
            self._say(f"Not written: {_bare(error)}", refused=True)
            return None
        left = sum(origin is Origin.SUGGESTED for origin in self.submission.origins.values())
        unsaid = f"; {counted(left, 'fact')} in it nobody confirmed" if left else ""
        self._say(f"Written and checked: {path}{unsaid}.")
        return Path(path)

    def _review(self) -> None:
        if self._job is not None and self._job.is_alive():
            return
        path = self._write()
        if path is None:
            return
        self.hand_over.disabled = self.write.disabled = True
        self.progress.value, self.progress.bar_style = 0, "info"
        self.document.outputs, self.found.value = (), ""
        self._job = threading.Thread(target=self._reviewed, args=(path,), name="review", daemon=True)
        self._job.start()

    def _reviewed(self, path: Path) -> None:
        """Run the review while the page stays alive, and show where its document is."""
        folder = Path(self._out or default_folder(path))
        try:
            page = self._reviewer(path, folder, progress=self._tell)
            told = summary(read_review(page.parent)).data
        except ReviewError as error:
            self.progress.bar_style, self.doing.value = "danger", ""
            self._say(f"The review stopped: {error}", refused=True)
        except Exception as error:  # the thread's last word: without it the page would wait for ever
            self.progress.bar_style, self.doing.value = "danger", ""
            self._say(f"The review stopped ({type(error).__name__}: {error}).", refused=True)
        else:
            self.progress.value, self.progress.bar_style = self.progress.max, "success"
            self.doing.value = ""
            # An output's links are resolved by the notebook; those of a widget are not.
            self.document.outputs = (
                {"output_type": "display_data", "data": {"text/html": _linked(page)}, "metadata": {}},
            )
            self.found.value = told
            self._say("The review is done: its document is linked above.")
        finally:
            self.hand_over.disabled = self.write.disabled = False

    def _tell(self, number: int, count: int, title: str) -> None:
        self.progress.max, self.progress.value = count, number - 1
        self.doing.value = _told(f"{number} of {count}: {title}")

    # --- what is shown

    def _show_part(self) -> None:
        part = self._parts[self.part.value]
        others = [(display_text(p.name or p.id, 60), p.id) for p in self._parts.values() if p.id != part.id]
        with self._unwatched():
            sizes = {unit: np.array(part.size_mm) * MM_PER_UNIT[unit] / MM_PER_UNIT[part.units] for unit in MM_PER_UNIT}
            self.units.options = [(f"{unit}: {size_text(size.tolist())}", unit) for unit, size in sizes.items()]
            self.units.value = part.units
            self.launched.options = [("nothing", ""), *others]
            entry = next(p for p in self.draft.submission.parts if p.id == part.id)
            self.launched.value = entry.launched_by
        self.launched.layout.display = None if others else "none"
        self.part.layout.display = None if others else "none"
        self.at.value = 0.0
        self._list_suggestions(draw=False)
        self._list_regions(_NEW, draw=False)
        self._show()

    def _step(self) -> None:
        self._say("")
        self._show()

    def _show(self) -> None:
        """The chosen step beside its picture."""
        for step, box in self.steps.items():
            box.layout.display = None if step == self.step.value else "none"
        if self.step.value == PART:
            hands = hand_of(self.order.typed("use.hands").split(",")[0].strip())
            words = f"{display_text(self._parts[self.part.value].file, 60)} from three sides beside 100 mm and a hand"
            self.picture.value = image_of(self._sheet.size_picture(hands), f"{words}: {hand_words(hands)}")
        else:
            words = f"{display_text(self._parts[self.part.value].file, 60)} from the top, the front and the right"
            self.picture.value = image_of(self._sheet.picture(), words)
        self.told.value = _told(*self._summary())
        self._draw()

    def _summary(self) -> Iterator[str]:
        """What moves, what is held and what is launched, as the submission has it now."""
        part, submission = self._parts[self.part.value], self.draft.submission
        confirmed = submission.origins.get(f"part.{part.id}.units") is Origin.CONFIRMED
        yield f"Size: {size_text(part.size_mm)}."
        yield f"Unit: {part.units}, " + ("confirmed." if confirmed else f"not confirmed ({part.units_note}).")
        here = [region for region in submission.regions if region.part == part.id]
        for words, kinds in (("Moves", {RegionKind.MOVING}), ("Held", {RegionKind.FIXED, RegionKind.GRIP}),
                             ("Bends", {RegionKind.FLEXURE}), ("Launched", {RegionKind.PROJECTILE})):  # fmt: skip
            names = [_region_words(r, submission) for r in here if r.kind in kinds]
            more = f" and {len(names) - 4} more" if len(names) > 4 else ""
            yield f"{words}: {', '.join(names[:4]) + more if names else 'nothing marked'}."
        launched = [p.id for p in submission.parts if p.launched_by == part.id]
        if launched:
            yield f"Launches: {', '.join(launched)}."
        left = len(self.draft.left(part.id))
        yield f"{counted(left, 'suggestion')} to look at." if left else "No suggestion is left to look at."

    def _list_suggestions(self, *, onward: bool = False, draw: bool = True) -> None:
        """Offer the part's suggestions with what was decided; `onward` moves to the next that is open."""
        here = self.draft.of(self.part.value)
        keys = [s.key for s in here]
        chosen = self.suggestion.value if self.suggestion.value in keys else next(iter(keys), None)
        if onward and chosen in keys:
            place = keys.index(chosen)
            later = [key for key in keys[place + 1 :] + keys[:place] if self.draft.answers[key] is Answer.OPEN]
            chosen = next(iter(later), chosen)
        options = [(f"{self.draft.answers[s.key]}: {display_text(s.title, 60)}", s.key) for s in here]
        with self._unwatched():
            if tuple(options) != tuple(self.suggestion.options):
                self.suggestion.options = options
            self.suggestion.value = chosen
        self._show_suggestion(draw=draw)

    def _show_suggestion(self, *, draw: bool = True) -> None:
        chosen = self._chosen
        for button in (self.accept, self.change, self.drop):
            button.disabled = chosen is None
        self.rest.disabled = not self.draft.left(self.part.value)
        self.change.disabled = chosen is None or chosen.region is None
        motion = chosen.motion if chosen else None
        self.at.layout.display = None if motion else "none"
        with self._unwatched():
            if motion:
                low, high = sorted(motion.stroke)
                self.at.min, self.at.max = min(low, self.at.max), max(high, low + 1e-3)
                self.at.min, self.at.step = low, (self.at.max - low) / 40
                self.at.value = motion.stroke[0]
                self.at.description = f"Moved [{motion.unit}]"
        if chosen is None:
            self.reason.value = _told(
                "The shape suggests nothing here: mark by hand what moves, is held or is launched."
            )
        else:
            sure = f"{str(chosen.sure).capitalize()}, from {chosen.sure_from}." if chosen.sure_from else ""
            self.reason.value = _told(chosen.reason, chosen.stops, sure)
        if draw:
            self._draw()

    def _list_regions(self, name: str, *, draw: bool = True) -> None:
        """Offer the part's regions, load one of them, or begin a new one."""
        submission = self.draft.submission
        here = [region for region in submission.regions if region.part == self.part.value]
        with self._unwatched():
            self.region.options = [
                ("a new region", _NEW), *((_region_words(r, submission, kind=True), r.name) for r in here)
            ]  # fmt: skip
            self.region.value = name if name in [r.name for r in here] else _NEW
        self._load_region(draw=draw)

    def _load_region(self, *, draw: bool = True) -> None:
        submission = self.draft.submission
        self._editing = self.region.value or _NEW
        region = next((r for r in submission.regions if r.name == self._editing), None)
        if region is None:
            self.mark.blank(self._sheet.low_mm, self._sheet.high_mm)
        else:
            self.mark.load(region, next((m for m in submission.motions if m.region == region.name), None))
        self.remove.disabled = region is None
        if draw:
            self._draw()

    def _dragged(self) -> None:
        """Take what the page says was dragged over the sheet."""
        try:
            x0, y0, x1, y1 = (float(text) for text in self.drag.value.split()[:4])
        except ValueError:
            return
        look = self._sheet.look_at(x0, y0)
        if self.step.value != MARKING or look is None:
            return
        self.mark.dragged(look, self._sheet.place(look, x0, y0), self._sheet.place(look, x1, y1))

    def _draft(self) -> None:
        """The form of the region changed."""
        self._draw()

    def _order_changed(self) -> None:
        self._say("")

    def _draw(self) -> None:
        """What lies over the sheet in this step."""
        sheet, step = self._sheet, self.step.value
        (self._sheet_box.add_class if step == MARKING else self._sheet_box.remove_class)(f"{CLASS}-marking")
        arrow = step == MARKING and self.mark.drag.value == ARROW
        (self._sheet_box.add_class if arrow else self._sheet_box.remove_class)(f"{CLASS}-arrow")
        submission = self.draft.submission
        here = [region for region in submission.regions if region.part == self.part.value]
        drawn: list[str] = []
        words = ""
        if step == SUGGESTED and self._chosen:
            chosen = self._chosen
            drawn += self._drawn(chosen.region, chosen.motion, self.at.value, chosen.faces)
            words = f"{chosen.title}: blue is what is suggested."
        elif step == MARKING:
            drawn.append(sheet.named([(r.name, r.volume) for r in here if r.name != self._editing]))
            region, motion = self.mark.region(self.part.value), self.mark.motion(measured=False)
            if self.mark.narrowed:
                drawn += self._drawn(region, motion, self.mark.at.value)
            if motion is not None:
                turns = motion.kind is MotionKind.ROTATION
                point, look = self.mark.point(), self.mark.look
                drawn.append(sheet.turning(look, point) if turns else sheet.arrow(look, point, self.mark.angle.value))
            words = "Drag a rectangle in two of the views to mark a region, or type its numbers."
        elif step in (ORDER, REVIEW):
            drawn.append(sheet.named([(r.name, r.volume) for r in here]))
            words = f"{counted(len(here), 'region')} marked." if here else "Nothing is marked."
        self.over.value = sheet.overlay("".join(drawn)) if step != PART else ""
        self.caption.value = _told(words)

    def _drawn(self, region: Region | None, motion: Motion | None, stroke: float, faces: Any = ()) -> list[str]:
        """A region's outline and its block, moved over the rest."""
        sheet = self._sheet
        drawn = []
        if len(faces) and region is None:
            drawn.append(sheet.ghost(sheet.part.vertices, sheet.part.faces[np.asarray(faces)]))
        elif region is not None:
            wanted = (self.part.value, region.volume)
            if self._block[0] != wanted:
                self._block = (wanted, inside(sheet.part, region.volume))
            vertices, facets = self._block[1]
            if motion is not None and len(vertices):
                vertices = moved(motion, vertices, stroke)
            drawn.append(sheet.ghost(vertices, facets))
        if region is not None:
            drawn.append(sheet.outlined(region.volume, strong=True))
        return drawn

    # --- small things

    @property
    def _sheet(self) -> Sheet:
        return self._sheets[self.part.value]

    @property
    def _chosen(self) -> Suggestion | None:
        return self.draft.suggested.get(self.suggestion.value or "")

    def _say(self, words: str, *, refused: bool = False) -> None:
        role = "alert" if refused else "status"
        shown = html.escape(display_text(words, 900))
        self.said.value = f'<div class="said" role="{role}">{shown}</div>' if words else ""

    @contextmanager
    def _unwatched(self) -> Iterator[None]:
        """Change widgets without taking it for a person's choice."""
        before, self._still = self._still, True
        try:
            yield
        finally:
            self._still = before


def _region_words(region: Region, submission: Submission, *, kind: bool = False) -> str:
    suggested = submission.origins.get(f"region.{region.name}") is Origin.SUGGESTED
    told = f"{region.name}: {region.kind}" if kind else region.name
    return display_text(told + (" (suggested)" if suggested else ""), 80)


def _bare(error: ReviewError) -> str:
    """An error of the format without the name of the file, which nobody has seen yet."""
    return str(error).removeprefix("submission.toml, ")


def _linked(page: Path) -> str:
    """A link to a document, from the notebook where it lies below it."""
    try:
        place = page.resolve().relative_to(Path.cwd().resolve()).as_posix()
    except ValueError:
        return f"<p>The document: {html.escape(str(page.resolve()))}</p>"
    return f'<p><a href="{html.escape(place)}" target="_blank">Open the document: {html.escape(place)}</a></p>'


def _button(words: str, tooltip: str) -> widgets.Button:
    return widgets.Button(
        description=words,
        tooltip=tooltip,
        layout=widgets.Layout(width="auto", margin="2px 2px", align_self="flex-start"),
    )


def _row(*children: widgets.Widget) -> widgets.HBox:
    return widgets.HBox(list(children), layout=widgets.Layout(flex_flow="row wrap"))


def _told(*lines: str) -> str:
    return "".join(f'<p class="told">{html.escape(display_text(line, 900))}</p>' for line in lines if line)
