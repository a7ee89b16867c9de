"""A submission in the making: what was found, what was marked by hand, what became of each suggestion.

Nothing here shows or draws.  Every change either leaves a submission that the format takes, or is
refused in the format's words and leaves all as it was.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from enum import StrEnum

from reviewkit.errors import SubmissionError
from reviewkit.submission import Motion, Region, Submission, submission_toml
from reviewkit.suggestions import Suggestion, accepted


class Answer(StrEnum):
    """What a person said to a suggestion."""

    OPEN = "open"
    ACCEPTED = "accepted"
    CHANGED = "changed"
    DROPPED = "dropped"


class Draft:
    """A submission in the making; `submission` is how it stands now.

    Marks and accepted suggestions are confirmed, suggestions without an answer are suggested.

    Parameters
    ----------
    found : Submission
        As it came: bare, or stating some facts already.
    suggested : sequence of Suggestion
        All of its parts.
    """

    def __init__(self, found: Submission, suggested: Sequence[Suggestion]) -> None:
        self.base = found
        self._found = tuple(region.name for region in found.regions)
        self.suggested = {suggestion.key: suggestion for suggestion in suggested}
        self.answers = dict.fromkeys(self.suggested, Answer.OPEN)
        self.submission = self._made()

    def of(self, part: str) -> list[Suggestion]:
        """The suggestions for one part, in the order in which to ask."""
        return [suggestion for suggestion in self.suggested.values() if suggestion.part == part]

    def left(self, part: str) -> list[str]:
        """Keys of the suggestions for one part that nobody answered."""
        return [s.key for s in self.of(part) if self.answers[s.key] is Answer.OPEN]

    def motion_of(self, region: str) -> Motion | None:
        """The motion of a region as the submission has it now."""
        return next((motion for motion in self.submission.motions if motion.region == region), None)

    def answer(self, key: str, answer: Answer) -> None:
        """Answer a suggestion: a yes takes along what it makes no sense without, a no what makes none without it.

        Raises
        ------
        SubmissionError
            When what was accepted contradicts itself.
        """
        with self._whole():
            self.answers[key] = answer
            for other in self._along(key, answer):
                self.answers[other] = answer

    def accept_rest(self, part: str) -> int:
        """Accept every suggestion for a part that nobody answered, and tell how many these were.

        Raises
        ------
        SubmissionError
            When together they contradict one another.
        """
        keys = self.left(part)
        with self._whole():
            self.answers |= dict.fromkeys(keys, Answer.ACCEPTED)
        return len(keys)

    def keep(self, before: str, region: Region, motion: Motion | None) -> None:
        """Take a region and its motion in, a new one behind the others.

        Parameters
        ----------
        before : str
            Name of the region whose place it takes, empty for a new one.
        region : Region
        motion : Motion or None
            Of this region.

        Raises
        ------
        SubmissionError
            When the format refuses it.
        """
        with self._whole():
            names = [known.name for known in self.submission.regions]
            if region.name != before and region.name in names:
                raise SubmissionError(f"there is a region {region.name!r} already; choose it in the list")
            owner = self._owner(before)
            if owner is not None:
                self._silence(before, but=owner.key)
                self.suggested[owner.key] = replace(owner, region=region, motion=motion)
                self.answers[owner.key] = Answer.CHANGED
                return
            self._silence(before)
            own = [known.name for known in self.base.regions]
            # Of several motions of a region the first is the one that was shown.
            further = [m for m in self.base.motions if before and m.region == before][1:]
            kept = tuple(region if known.name == before else known for known in self.base.regions)
            stated = {f"region.{region.name}", f"motion.{region.name}"}
            self.base = replace(
                self.base,
                regions=kept if before in own else (*kept, region),
                motions=(
                    *(m for m in self.base.motions if m.region != before),
                    *([motion] if motion else []),
                    *(replace(m, region=region.name) for m in further),
                ),
                requirements=tuple(
                    replace(r, region=region.name) if before and r.region == before else r
                    for r in self.base.requirements
                ),
                marked={name: origin for name, origin in self.base.marked.items() if name not in stated},
            )

    def remove(self, name: str) -> None:
        """Take a region and its motions out.

        Raises
        ------
        SubmissionError
            When something else names the region.
        """
        with self._whole():
            self._silence(name)
            self.base = replace(
                self.base,
                regions=tuple(region for region in self.base.regions if region.name != name),
                motions=tuple(motion for motion in self.base.motions if motion.region != name),
            )

    def confirm_units(self, unit: str) -> None:
        """Say in which unit the meshes are."""
        facts = {f"part.{part.id}.units" for part in self.base.parts}
        with self._whole():
            self.base = replace(
                self.base,
                parts=tuple(replace(part, units=unit) for part in self.base.parts),
                marked={name: origin for name, origin in self.base.marked.items() if name not in facts},
                notes={name: note for name, note in self.base.notes.items() if name not in facts},
            )

    def launch(self, part: str, by: str) -> None:
        """Say by which part a part is launched, empty for none.

        Raises
        ------
        SubmissionError
            When parts launch one another in a circle.
        """
        fact = f"part.{part}.launched_by"
        with self._whole():
            for key, suggestion in self.suggested.items():
                if any(name == fact for name, _ in suggestion.fields):
                    left = tuple((name, value) for name, value in suggestion.fields if name != fact)
                    self.suggested[key] = replace(suggestion, fields=left)
            parts = (replace(p, launched_by=by) if p.id == part else p for p in self.base.parts)
            self.base = replace(self.base, parts=tuple(parts))

    # --- how

    def _made(self) -> Submission:
        said = (Answer.ACCEPTED, Answer.CHANGED)
        yes = [s for key, s in self.suggested.items() if self.answers[key] in said]
        rest = [s for key, s in self.suggested.items() if self.answers[key] is Answer.OPEN]
        made = accepted(accepted(self.base, yes, confirmed=True), rest)
        # Of regions that overlap the later wins: suggestions stand in their own order, marks by hand behind them.
        order = {s.region.name: place for place, s in enumerate(self.suggested.values(), 1) if s.region}
        order |= dict.fromkeys(self._found, 0)
        regions = sorted(made.regions, key=lambda region: order.get(region.name, len(self.suggested) + 1))
        return replace(made, regions=tuple(regions))

    def _owner(self, name: str) -> Suggestion | None:
        """The suggestion that a region comes from, None for one marked by hand or found."""
        if name in [region.name for region in self.base.regions]:
            return None
        found = (
            s
            for key, s in self.suggested.items()
            if s.region and s.region.name == name and self.answers[key] is not Answer.DROPPED
        )
        return next(found, None) if name else None

    def _along(self, key: str, answer: Answer) -> set[str]:
        """Keys of the suggestions without an answer that get the same as one."""
        along, ends = set[str](), {key}
        while ends:
            if answer is Answer.ACCEPTED:
                ends = {need for end in ends for need in self.suggested[end].needs if need in self.suggested}
            elif answer is Answer.DROPPED:
                ends = {s.key for s in self.suggested.values() if ends & set(s.needs)}
            else:
                ends = set()
            ends = {end for end in ends if self.answers[end] is Answer.OPEN} - along
            along |= ends
        return along

    def _silence(self, name: str, but: str = "") -> None:
        """Drop what is suggested of a region."""
        for key, suggestion in self.suggested.items():
            about = {suggestion.region and suggestion.region.name, suggestion.motion and suggestion.motion.region}
            if name and key != but and name in about:
                self.answers[key] = Answer.DROPPED

    @contextmanager
    def _whole(self) -> Iterator[None]:
        """Change all or nothing."""
        before = self.base, dict(self.suggested), dict(self.answers)
        try:
            yield
            made = self._made()
            submission_toml(made)
        except SubmissionError:
            self.base, self.suggested, self.answers = before
            raise
        self.submission = made
