"""PD-06: good parts of those printed, from a pilot where there is one, else a guess from the shape that says so."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from reviewkit.judging import WHOLE, finding, percent_words, worst_of
from reviewkit.limits import Limits
from reviewkit.measure.yields import Share, capability, counted_share, machine_spread
from reviewkit.model import Band, Finding, Limit, Measurement, Severity, Verdict, counted_unit
from reviewkit.pilot import PLATES_FILE, VALUES_FILE, Pilot
from reviewkit.submission import Requirement, Stage, requirements_of
from reviewkit.workpiece import Workpiece
from reviewkit.yields import Loss, Yield, YieldCase, pilot_of, yield_of

CODE = "PD-06"
DOMAIN = "production"
PLATES = "plates lost"
PARTS = "parts rejected"
MACHINES = "machines"

_EXACT = "exact interval of the binomial (Clopper and Pearson) at 95 %"
_CLUSTERED = "plates drawn as wholes (Korn and Graubard) at 95 %"
_GUESSED = "a guess from the shape"


def good_parts(workpiece: Workpiece, limits: Limits) -> list[Finding]:
    """Judge the share of good parts.

    Parameters
    ----------
    workpiece : Workpiece
    limits : Limits
        Tables with the rows ``yield.*`` and those that the guess rests on.

    Returns
    -------
    list of Finding
        The whole part first.  Of a pilot then plates, parts, machines and each dimension; without one each
        thing of the shape that may cost more than ``yield.worth``.

    Raises
    ------
    SubmissionError
        When the tables of a pilot cannot be read.
    """
    found, pilot = yield_of(workpiece, limits), pilot_of(workpiece)
    if pilot is None:
        return list(_guessed(_Case(workpiece, limits), found))
    return list(_Piloted(workpiece, limits, found, pilot).findings)


class _Case(YieldCase):
    """The rows ``yield.*`` with the findings of this check."""

    def told(self, subject: str, verdict: Verdict, message: str, change: str = "", **more: Any) -> Finding:
        return finding(
            self.workpiece, CODE, DOMAIN, subject, verdict, message, change, severity=Severity.YIELD, **more
        )  # fmt: skip

    @cached_property
    def asked(self) -> str:
        """The pilot that settles what is not known."""
        plates, machines = round(self.value("pilot_plates")), round(self.band("machines").limits[0].value)
        upper = counted_share(0, plates).upper
        return (
            f"Print a pilot of {plates} plates over at least {machines} machines and write {PLATES_FILE} beside the "
            f"submission, one line a plate; without a lost plate it shows with 95 % confidence that at most "
            f"{percent_words(upper)} of the plates are lost. inspection_plan.csv says what to measure."
        )


def _guessed(case: _Case, found: Yield) -> Iterator[Finding]:
    causes = [loss for loss in found.losses if loss.high >= case.value("worth") and loss.change]
    causes.sort(key=lambda loss: -loss.high)
    told = "; ".join(f"{loss.what} ({loss.measured}): {_lost(loss)}" for loss in found.losses)
    unknown = f" Of the shape nothing was looked at: {case.open_words}." if case.open_words else ""
    # Every part begins without a pilot: that is to be watched, and stops nobody from deciding on the rest.
    yield case.told(
        WHOLE,
        Verdict.NOT_CHECKED if case.open_words else Verdict.MARGINAL,
        f"No pilot of this part was recorded, so its yield is not known. {found.words} It is made of: {told}.{unknown} "
        "All of these shares are guesses from common practice, none was measured.",
        case.asked,
        measurements=(
            Measurement("good parts of those printed", found.value, "-", (found.high - found.low) / 2, _GUESSED),
        ),
        limits=case.band("good").limits,
        figures=("guessed_losses",),
        evidence={
            "names": np.array([loss.what for loss in found.losses]),
            "low": np.array([loss.low for loss in found.losses]),
            "high": np.array([loss.high for loss in found.losses]),
            "together": np.array([1 - found.high, 1 - found.low]),
        },
    )
    for loss in causes[: case.listed]:
        yield case.told(
            loss.what,
            Verdict.MARGINAL,
            f"{loss.what.capitalize()} may cost good parts: {loss.measured}. Guessed, not measured: {_lost(loss)}.",
            loss.change,
            limits=(case.row("worth"),),
            measurements=(
                Measurement(
                    f"parts lost to {loss.what}", (loss.low + loss.high) / 2, "-", (loss.high - loss.low) / 2, _GUESSED
                ),
            ),
        )


def _lost(loss: Loss) -> str:
    low, high = percent_words(loss.low), percent_words(loss.high)
    return f"{low} lost" if low == high else f"{low} to {high} lost"


@dataclass(frozen=True, eq=False)
class _Piloted(_Case):
    """A workpiece with its pilot."""

    found: Yield
    pilot: Pilot

    @property
    def findings(self) -> Iterator[Finding]:
        details = [self._plates(), self._machines(), *self._parts(), *self._dimensions()]
        yield self._whole(details)
        yield from details

    def _whole(self, details: list[Finding]) -> Finding:
        found, pilot, band = self.found, self.pilot, self.band("good")
        stages = Counter(plate.stage for plate in pilot.plates)
        ran = ", ".join(f"{count} of the {_stage(stage)}" for stage, count in stages.items())
        others = (
            f" Of another revision, which is another part, {_counted(pilot.others, 'plate')} not counted."
            if pilot.others
            else ""
        )
        middle, half = (found.low + found.high) / 2, (found.high - found.low) / 2
        verdict = band.verdict(middle, half)
        worse = [one.subject for one in details if one.verdict is not Verdict.MEETS]
        change = f"See {', '.join(worse)} below." if worse else ""
        if verdict is not Verdict.MEETS and not worse:
            change = f"Print more plates: {round(self.value('release_plates'))} make the interval narrow enough."
        return self.told(
            WHOLE,
            verdict,
            f"{found.words} It rests on {len(pilot.plates)} plates ({ran}) from {len(pilot.machines)} "
            f"machine{'s' if len(pilot.machines) != 1 else ''}. Plates are the unit of what loses a plate; parts are "
            f"counted within the plates that came through.{others}",
            "" if verdict is Verdict.MEETS else change,
            measurements=(
                Measurement("good parts of those printed", found.value, "-", 0.0, "pilot"),
                Measurement("good parts, middle of the interval", middle, "-", half, f"{_EXACT}; {_CLUSTERED}"),
            ),
            limits=band.limits,
            figures=("pilot_shares",),
            evidence={
                "names": np.array([name for name, _ in self._shares]),
                "shares": np.array([[share.value, share.low, share.high] for _, share in self._shares]),
                "machines": np.array(pilot.machines),
                "machine_lost": np.array([self._lost_on(machine) for machine in pilot.machines]),
            },
        )

    @property
    def _shares(self) -> list[tuple[str, Share]]:
        pairs = [(PLATES, self.found.plates), (PARTS, self.found.parts)]
        return [(name, share) for name, share in pairs if share is not None]

    def _lost_on(self, machine: str) -> tuple[int, int]:
        own = [plate for plate in self.pilot.plates if plate.machine == machine]
        return sum(plate.is_lost for plate in own), len(own)

    def _plates(self) -> Finding:
        share = self.found.plates
        assert share is not None
        at_release = self.workpiece.submission.stage is Stage.RELEASE
        meets = self.band("plate_loss_release" if at_release else "plate_loss_pilot").limits[0]
        fails = self.band("plate_loss_fails").limits[0]
        reasons = _reasons([plate.reason for plate in self.pilot.plates if plate.is_lost])
        verdict = _of_share(share, meets, fails)
        return self.told(
            PLATES,
            verdict,
            f"{share.lost} of {share.total} plates were lost{reasons}: {percent_words(share.low)} to "
            f"{percent_words(share.high)} with 95 % confidence, at most {percent_words(share.upper)} on one side.",
            "" if verdict is Verdict.MEETS else self._more_plates(meets, share),
            measurements=(_measured("plates lost", share, _EXACT),),
            limits=(meets, fails),
        )

    def _more_plates(self, meets: Limit, share: Share) -> str:
        needed = next((n for n in range(share.total, 2000) if counted_share(share.lost, n).upper <= meets.value), None)
        if needed is None or needed == share.total:
            return "Find why plates are lost and mend that; then run the pilot again."
        mend = "Mend what lost them and run the pilot again, or p" if share.lost else "P"
        return (
            f"{mend}rint {_counted(needed - share.total, 'more plate')} without a loss: "
            f"that would show at most {percent_words(meets.value)} lost."
        )

    def _parts(self) -> Iterator[Finding]:
        share = self.found.parts
        if share is None:
            return
        meets, fails = self.band("part_loss").limits
        reasons = _reasons([plate.reason for plate in self.pilot.through if plate.rejected])
        bound = (
            f"Parts of one plate share their fate: {share.total} tell as much as {share.effective:.0f} single ones."
            if share.design_effect > 1
            else "Rejected parts are spread over the plates as if they fell singly."
        )
        verdict = _of_share(share, meets, fails)
        yield self.told(
            PARTS,
            verdict,
            f"{share.lost} of {share.total} parts of the plates that came through were rejected{reasons}: "
            f"{percent_words(share.low)} to {percent_words(share.high)} with 95 % confidence. {bound}",
            "" if verdict is Verdict.MEETS else "Mend what rejected them, or print and look at more plates.",
            measurements=(_measured("parts rejected", share, _CLUSTERED),),
            limits=(meets, fails),
        )

    def _machines(self) -> Finding:
        band, count = self.band("machines"), len(self.pilot.machines)
        lost = [(machine, *self._lost_on(machine)) for machine in self.pilot.machines]
        told = ", ".join(f"{bad} of {total} on {machine}" for machine, bad, total in lost[: self.listed])
        more = f" and {len(lost) - self.listed} more machines" if len(lost) > self.listed else ""
        wanted = round(band.limits[0].value)
        return self.told(
            MACHINES,
            band.verdict(count),
            f"The pilot ran on {count} machine{'s' if count != 1 else ''}; plates lost: {told}{more}.",
            "" if count >= wanted else f"Run it on at least {wanted} machines, {wanted - count} more: fewer say "
            "nothing of how they differ.",
            measurements=(Measurement("machines of the pilot", count, "count"),),
            limits=band.limits,
        )  # fmt: skip

    def _dimensions(self) -> Iterator[Finding]:
        asked = {one.id: one for one in requirements_of(self.workpiece.submission, self.workpiece.part.id)}
        # Several findings would read alike to a person: what is required comes first.
        whats = sorted(self.pilot.whats, key=lambda what: what not in asked)
        for what in whats[: self.listed]:
            yield self._dimension(what, asked.get(what))
        unmeasured = [one.id for one in asked.values() if one.critical and one.id not in whats]
        if unmeasured:
            yield self.told(
                "not measured",
                Verdict.NOT_CHECKED,
                f"Critical and not measured in the pilot: {', '.join(unmeasured)}.",
                f"Measure {', '.join(unmeasured)} on {round(self.band('values').limits[0].value)} parts over all "
                f"machines and add the values to {VALUES_FILE}.",
            )

    def _dimension(self, what: str, requirement: Requirement | None) -> Finding:
        # Whatever a table calls it, it is taken for none of the other subjects.
        subject = f"dimension {what}"
        values, machine = self.pilot.measured(what)
        wanted = round(self.band("values").limits[0].value)
        unit = requirement.unit if requirement is not None and requirement.unit else "-"
        low, high = _bounds(requirement)
        evidence: dict[str, Any] = {
            "values": values,
            "machine": machine,
            "machines": np.array(self.pilot.machines),
            "bounds": np.array([np.nan if end is None else end for end in (low, high)]),
            "unit": np.array([unit]),
            "what": np.array([what]),
        }
        drawn = {"figures": ("pilot_values",), "evidence": evidence}
        mean = Measurement(f"mean of {what}", float(values.mean()), unit, 0.0, f"{len(values)} values")
        if len(values) < 2 or float(np.ptp(values)) <= 0:
            words = f"{what}: {len(values)} value{'s' if len(values) != 1 else ''} without spread tell no capability."
            change = f"Measure {wanted} parts over all machines, with a gauge that tells them apart."
            return self.told(subject, Verdict.NOT_CHECKED, words, change, measurements=(mean,), **drawn)
        spread, spread_words, spread_verdict, spread_change = self._spread(what, low, high, unit)
        if low is None and high is None:
            words = f"{what} has no tolerance in the submission; its {len(values)} values have the mean "
            words += f"{counted_unit(float(values.mean()), unit)} and the standard deviation "
            words += f"{counted_unit(float(values.std(ddof=1)), unit)}. {spread_words}"
            change = f"State a requirement {what} with a tolerance."
            return self.told(subject, Verdict.NOT_CHECKED, words, change, measurements=(mean, *spread), **drawn)
        able, band = capability(values, low, high), self.band("cpk")
        half = (able.cpk_range[1] - able.cpk_range[0]) / 2
        outside = int(
            ((values < (-np.inf if low is None else low)) | (values > (np.inf if high is None else high))).sum()
        )
        few = len(values) < wanted
        verdict = worst_of([band.verdict(able.cpk, half), Verdict.MARGINAL if few else Verdict.MEETS, spread_verdict])
        cp = "" if np.isnan(able.cp) else f", Cp {able.cp:.2f} ({able.cp_range[0]:.2f} to {able.cp_range[1]:.2f})"
        return self.told(
            subject,
            verdict,
            f"{what}: {len(values)} values, mean {counted_unit(able.mean, unit)}, standard deviation "
            f"{counted_unit(able.deviation, unit)}, Cpk {able.cpk:.2f} ({able.cpk_range[0]:.2f} to "
            f"{able.cpk_range[1]:.2f} with 95 % confidence){cp}; {outside} outside the tolerance. {spread_words}",
            _capable(band, able.cpk, able.cp, len(values), wanted, low, high, able.mean, unit) + spread_change
            if verdict is not Verdict.MEETS
            else "",
            measurements=(mean, Measurement(f"Cpk of {what}", able.cpk, "-", half, "Bissell's interval"), *spread),
            limits=(*band.limits, *self.band("values").limits),
            **drawn,
        )

    def _spread(
        self, what: str, low: float | None, high: float | None, unit: str
    ) -> tuple[tuple[Measurement, ...], str, Verdict, str]:
        """Spread from machine to machine: measurements, words, verdict and change."""
        values, machine = self.pilot.measured(what)
        try:
            found = machine_spread(values, machine)
        except ValueError:
            return (), "How machines differ cannot be told from these values.", Verdict.MEETS, ""
        differ = found.chance < self.value("alike")
        words = (
            f"Machines {'differ' if differ else 'are not told apart'}: {percent_words(found.share)} of the variance "
            f"lies between them ({percent_words(found.share_range[0])} to {percent_words(found.share_range[1])}, "
            f"{found.machines} machines)."
        )
        measured = (
            Measurement(f"spread of {what} between machines", found.between, unit, 0.0, "one-way random effects"),
            Measurement(f"spread of {what} within a machine", found.within, unit, 0.0, "one-way random effects"),
        )
        if low is None or high is None or not differ:
            return measured, words, Verdict.MEETS, ""
        over = 6 * found.between / (high - low)
        verdict = self.band("machine_spread").verdict(over)
        change = "" if verdict is Verdict.MEETS else (
            f" Bring the machines' means together: six of their standard deviations take {percent_words(over)} of the "
            "tolerance."
        )  # fmt: skip
        return measured, words, verdict, change


def _capable(
    band: Band,
    cpk: float,
    cp: float,
    count: int,
    wanted: int,
    low: float | None,
    high: float | None,
    mean: float,
    unit: str,
) -> str:
    """What would make a dimension capable, or show that it is."""
    bound = band.limits[0].value
    if cpk < bound and low is not None and high is not None and cp >= bound:
        return f"Shift the mean by {counted_unit((low + high) / 2 - mean, unit)}: centred it would be capable."
    if cpk < bound:
        return f"Widen the tolerance {bound / max(cpk, 0.05):.2g}-fold or lessen the spread as much."
    return f"Measure more than the {count} parts, at least {wanted} over all machines." if count < wanted else (
        f"Measure more parts: with {4 * count} the interval is half as wide."
    )  # fmt: skip


def _bounds(requirement: Requirement | None) -> tuple[float | None, float | None]:
    """Least and greatest value that a requirement permits, none where it has no tolerance."""
    if requirement is None or requirement.nominal is None:
        return None, None
    ends = (requirement.lower, requirement.upper)
    if ends == (0.0, 0.0):
        return None, None
    low, high = (None if end is None else requirement.nominal + end for end in ends)
    return low, high


def _of_share(share: Share, meets: Limit, fails: Limit) -> Verdict:
    """A share is shown to be low enough by its upper bound, and too high by the lower end of its interval."""
    if share.low > fails.value:
        return Verdict.FAILS
    return Verdict.MEETS if meets.met_by(share.upper) else Verdict.MARGINAL


def _measured(what: str, share: Share, how: str) -> Measurement:
    middle = (share.low + share.high) / 2
    return Measurement(f"{what}, middle of the interval", middle, "-", share.high - middle, how)


def _reasons(reasons: list[str]) -> str:
    """Why they were lost, most often first."""
    counts = Counter(reason for reason in reasons if reason)
    told = "; ".join(f"{reason} ({count})" for reason, count in counts.most_common(4))
    return f" ({told})" if told else ""


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'s' if number != 1 else ''}"


def _stage(stage: Stage) -> str:
    return f"{stage} run" if stage is Stage.RELEASE else str(stage)
