"""The agenda of a week: its order, what it says of each part, what passes by consent, and that nothing runs in it."""

import io
import re
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest
from corpus import HOSTILE
from lxml import html
from matplotlib.image import imread

from reviewkit import agenda as weeks
from reviewkit.agenda import Agenda, Group, Item, State, agenda, pass_consent
from reviewkit.compare import State as Change
from reviewkit.decisions import conclude, decide, reviewed, standing
from reviewkit.document.files import file_sha256, write_review
from reviewkit.errors import RecordError, StaleError
from reviewkit.figures.week import thumbnail, trend
from reviewkit.limits import load_limits, machine, material
from reviewkit.model import (
    Finding,
    Origin,
    Outcome,
    PartFacts,
    Picture,
    Review,
    Setup,
    Severity,
    Verdict,
    finding_key,
)
from reviewkit.record import Kind, Record
from reviewkit.signing import DOCUMENT
from reviewkit.submission import slug as named
from reviewkit.weekly import Done, Entry, Week

TODAY, LATER = date(2026, 3, 9), date(2026, 4, 20)
WHO, DUE = "Ada Review", "2026-03-31"
SETUP = Setup(machine("standard-240"), material("petg"), 0.2, 0.4, 0.2)
F, N, M = Verdict.FAILS, Verdict.NOT_CHECKED, Verdict.MEETS
INJURY, LOOKS = Severity.INJURY, Severity.LOOKS


def finding(code: str, verdict: Verdict, severity: Severity = Severity.YIELD, message: str = "so") -> Finding:
    key = finding_key(code, "p", "part")
    return Finding(key, code, "printability", "p", "part", verdict, severity, message, change="wider")


def review(number: str, *findings: Finding, revision: str = "A", quantity: int | None = 10, **head: object) -> Review:
    part = PartFacts("p", number, revision, "Part", "p.stl", "aa" * 32, 1, "mm", Origin.CONFIRMED, "", 12, 1,
                     (10.0, 10.0, 10.0), 1000.0, SETUP)  # fmt: skip
    told = {"number": number, "revision": revision, "quantity": quantity, "name": f"Part {number}"} | head
    ramp = np.tile(np.linspace(0, 255, 900).astype(np.uint8)[None, :, None], (640, 1, 3))
    shot = Picture("p-1", "p", "Part from the front", "a part", ramp, 0.1, (("1", 5.0, 5.0),))
    return Review(told, (part,), SETUP, (), findings, (), (shot,), Outcome.CHANGES, "1 finding fails", "0.1", "l")


class Factory:
    """A folder of reviews and a record, filled by hand."""

    def __init__(self, root: Path) -> None:
        self.out, self.record = root / "out", Record(root / "records")
        self.entries: list[Entry] = []

    def add(self, made: Review, *, noted: bool = True, done: Done = Done.REVIEWED) -> str:
        number, revision = (str(made.submission[name]) for name in ("number", "revision"))
        slug = named(f"{number}-{revision}".lower())
        write_review(made, (), self.out / slug)
        self.entries.append(Entry(slug, slug, done))
        if noted:
            reviewed(self.record, made, file_sha256(self.out / slug / "review.json"), WHO)
        return f"{number} {revision}"

    def refused(self, name: str, reason: str, done: Done = Done.REFUSED) -> None:
        self.entries.append(Entry(name, name, done, reason, "N-9", "C"))

    def decide(self, what: str, code: str, disposition: str, **terms: str) -> None:
        seen = standing(self.record, *what.split())
        decide(self.record, seen, finding_key(code, "p", "part"), disposition, WHO, "because", today=TODAY, **terms)

    def agenda(self, day: date = TODAY, *, record: bool = True) -> Agenda:
        week = Week(self.out, "2026-W11", tuple(self.entries))
        return agenda(week, self.record.folder if record else None, day)

    def item(self, what: str, day: date = TODAY, *, record: bool = True) -> Item:
        return next(item for item in self.agenda(day, record=record).items if item.what == what)


@pytest.fixture
def factory(tmp_path) -> Factory:
    return Factory(tmp_path)


def weight(severity: str) -> float:
    return load_limits().value(f"week.weight.{severity}", SETUP).value


# --- order and what is said ------------------------------------------------------------------


def test_the_order_is_severity_times_quantity(factory):
    factory.add(review("N-1", finding("PR-01", F, INJURY), quantity=10))
    factory.add(review("N-2", finding("PR-01", F, LOOKS), quantity=100_000))
    factory.add(review("N-3", finding("PR-01", F, LOOKS), finding("PR-02", F, INJURY), finding("PR-03", N), quantity=3))
    factory.add(review("N-4", finding("PR-01", F, INJURY), quantity=None))
    factory.add(review("N-5", finding("PR-01", N), finding("PR-02", M, INJURY), quantity=10**9))
    factory.refused("zz", "no mesh")
    items = factory.agenda().items
    unstated = load_limits().value("week.quantity", SETUP).value
    assert {item.what: item.weight for item in items} == {
        "N-1 A": 10 * weight("injury"),
        "N-2 A": 100_000 * weight("looks"),
        "N-3 A": 3 * (weight("looks") + weight("injury")),
        "N-4 A": unstated * weight("injury"),
        "N-5 A": 0.0,
        "N-9 C": 0.0,
    }
    # With the weights as they ship: 100,000 x 1, 1000 x 100, 10 x 100, 3 x 101.
    assert [item.what for item in items] == ["N-2 A", "N-4 A", "N-1 A", "N-3 A", "N-5 A", "N-9 C"]
    assert [weight(s.name.lower()) for s in Severity] == sorted(
        (weight(s.name.lower()) for s in Severity), reverse=True
    )


@pytest.mark.parametrize(
    ("sort", "first"),
    [("number", "N-1 A"), ("quantity", "N-2 A"), ("failing", "N-3 A"), ("customer", "N-2 A"), ("not checked", "N-1 A"),
     ("state", "N-9 C")],
)  # fmt: skip
def test_it_can_be_sorted_by_every_column(factory, sort, first):
    factory.add(review("N-1", finding("PR-01", N), quantity=1, customer="Zoll"))
    factory.add(review("N-2", finding("PR-01", M), quantity=9, customer="adler"))
    factory.add(review("N-3", finding("PR-01", F), quantity=2, customer="Mole"))
    factory.refused("a", "no mesh")
    items = [item for item in factory.agenda().items if item.tally or sort == "state"]
    assert min(items, key=weeks.SORTS[sort]).what == first


def test_a_part_is_told_with_its_numbers(factory):
    what = factory.add(
        review("N-1", finding("PR-01", F), finding("PR-02", N), finding("PR-03", M), customer="Tavermoor")
    )
    item = factory.item(what)
    assert (item.name, item.customer, item.quantity, item.state) == ("Part N-1", "Tavermoor", 10, State.REVIEWED)
    assert {verdict: count for verdict, count in item.counts.items() if count} == {F: 1, N: 1, M: 1}
    assert item.suggested == "changes needed"
    assert item.blocks[0].startswith("2 findings failing or not checked without a disposition")
    assert (item.before, item.since, item.late, item.outcome) == ("", "", (), "")


def test_a_revision_is_told_against_the_one_before_which_is_done_with(factory):
    old = factory.add(review("N-1", finding("PR-01", F), finding("PR-02", Verdict.MARGINAL), received="2026-03-02"))
    far = factory.add(review("N-1", finding("PR-01", F), revision="0", received="2026-01-02"))
    new = factory.add(
        review(
            "N-1", finding("PR-01", M), finding("PR-02", F), finding("PR-03", F), revision="B", received="2026-03-09"
        )
    )
    for record in (True, False):
        item = factory.item(new, record=record)
        assert item.before == "A"
        assert item.changed == {Change.SETTLED: 1, Change.WORSE: 1, Change.NEW: 1}
        assert {factory.item(w, record=record).state for w in (old, far)} == {State.SUPERSEDED}
        assert [i.what for i in factory.agenda(record=record).of(Group.DECIDED)] == [far, old]


def test_revisions_without_dates_go_by_their_letters(factory):
    for revision in ("A", "AA", "B"):
        factory.add(review("N-1", finding("PR-01", F), revision=revision), noted=False)
    assert factory.item("N-1 AA", record=False).before == "B"


def test_what_was_promised_is_late_when_its_day_is_past(factory):
    what = factory.add(review("N-1", finding("PR-01", F), finding("PR-02", N), received="2026-03-02"))
    factory.decide(what, "PR-01", "rework", owner="Bo", due=DUE)
    factory.decide(what, "PR-02", "not applicable")
    assert factory.item(what).late == ()
    told = "PR-01:p:part: rework of revision A, Bo, until 2026-03-31"
    assert factory.item(what, LATER).late == (told,)
    # It is still owed by the next revision, unless that settles it.
    owing = factory.add(review("N-1", finding("PR-01", F), revision="B", received="2026-03-09"))
    assert factory.item(owing, LATER).late == (told,)
    done = factory.add(review("N-1", finding("PR-01", M), revision="C", received="2026-03-12"))
    assert factory.item(done, LATER).late == ()


def test_what_the_record_does_not_know_is_told(factory):
    absent = factory.add(review("N-1", finding("PR-01", M)), noted=False)
    other = factory.add(review("N-2", finding("PR-01", M)))
    reviewed(factory.record, review("N-2", finding("PR-01", F)), "another", WHO)
    assert factory.item(absent).blocks == ("the review is not on record",)
    assert factory.item(other).blocks == ("the record's last review of it is another one",)
    assert factory.agenda(record=False).trend is None
    assert {item.group for item in factory.agenda().items} == {Group.DISCUSS}


def test_what_has_no_review_is_on_the_agenda_with_its_reason(factory):
    factory.refused("broken", "p.stl has 0 bytes; send another")
    factory.refused("killed", "its process was killed 2 times", Done.STOPPED)
    what = factory.add(review("N-1", finding("PR-01", M)))
    (factory.out / "n-1-a" / "evidence.npz").write_bytes(b"no arrays")
    told = {item.entry.name: (item.state, item.reason) for item in factory.agenda().of(Group.NO_REVIEW)}
    assert told["broken"] == (State.REFUSED, "p.stl has 0 bytes; send another")
    assert told["killed"] == (State.STOPPED, "its process was killed 2 times")
    assert told["n-1-a"][0] is State.STOPPED
    assert "holds no readable review" in told["n-1-a"][1]
    assert what not in [item.what for item in factory.agenda().of(Group.DISCUSS)]


def test_a_signature_is_told(factory):
    what = factory.add(review("N-1", finding("PR-01", M)))
    seen = standing(factory.record, *what.split())
    conclude(factory.record, seen, Outcome.RELEASE, WHO)
    data = {"role": "reviewer", "certificate": "c", "pdf_sha256": DOCUMENT, "review_sha256": seen.review_sha256}
    factory.record.append(Kind.SIGNED, *what.split(), WHO, data)
    item = factory.item(what)
    assert (item.state, item.group, item.outcome) == (State.SIGNED, Group.DECIDED, "release")


# --- consent ---------------------------------------------------------------------------------


def test_one_decision_releases_what_nothing_stands_against(factory):
    plain = factory.add(review("N-1", finding("PR-01", M), finding("PR-02", Verdict.MARGINAL), stage="pilot"))
    ruled = factory.add(review("N-2", finding("PR-01", N), finding("PR-02", F)))
    for code in ("PR-01", "PR-02"):
        factory.decide(ruled, code, "not applicable")
    factory.add(review("N-3", finding("PR-01", F)))
    told = factory.agenda()
    assert [item.what for item in told.of(Group.CONSENT)] == [ruled, plain]
    assert factory.item(ruled).weight == 0
    event = pass_consent(factory.record, told, WHO)
    assert (event.kind, event.who, event.number) == (Kind.MEETING, WHO, "")
    assert event.data == {
        "item": "consent list", "outcome": "release", "week": "2026-W11", "passed": [["N-2", "A"], ["N-1", "A"]],
    }  # fmt: skip
    outcomes = [e for e in factory.record.events() if e.kind is Kind.OUTCOME]
    assert [(e.number, e.data["outcome"], e.data["reason"]) for e in outcomes] == [
        ("N-2", "release", weeks.BY_CONSENT), ("N-1", "release", weeks.BY_CONSENT),
    ]  # fmt: skip
    assert outcomes[1].data["quantity"] == "10"
    assert outcomes[1].data["stage"] == "pilot"
    assert not factory.agenda().of(Group.CONSENT)
    assert factory.record.verify() == ()


UNFIT = {
    "fails": ([finding("PR-01", F)], {}),
    "not checked": ([finding("PR-01", N)], {}),
    "not checked, put off": ([finding("PR-01", N)], {"disposition": "defer", "owner": "Bo", "due": DUE}),
    "conceded": ([finding("PR-01", F)], {"disposition": "concession", "approver": "Cy", "expiry": DUE}),
}


@pytest.mark.parametrize("case", UNFIT)
def test_what_has_to_be_discussed_does_not_pass_and_takes_the_others_with_it(factory, case):
    findings, decision = UNFIT[case]
    what = factory.add(review("N-1", *findings))
    good = factory.add(review("N-2", finding("PR-01", M)))
    if decision:
        factory.decide(what, "PR-01", **decision)
    told = factory.agenda()
    assert [item.what for item in told.of(Group.CONSENT)] == [good]
    before = len(factory.record.events())
    with pytest.raises(RecordError, match="cannot pass by consent: N-1 A: 1 finding"):
        pass_consent(factory.record, told, WHO, only=[good, what])
    with pytest.raises(RecordError, match="N-8 A: it is not on the agenda"):
        pass_consent(factory.record, told, WHO, only=[good, "N-8 A"])
    assert len(factory.record.events()) == before


def test_nothing_to_pass_is_told(factory):
    factory.add(review("N-1", finding("PR-01", F)))
    with pytest.raises(RecordError, match="nothing can pass by consent"):
        pass_consent(factory.record, factory.agenda(), WHO)


def test_what_others_decided_since_does_not_pass(factory):
    first, second, third = (factory.add(review(number, finding("PR-01", M))) for number in ("N-1", "N-2", "N-3"))
    told = factory.agenda()
    conclude(factory.record, standing(factory.record, *second.split()), Outcome.DECLINED, "Cy Check", "no room")
    with pytest.raises(StaleError, match="N-2 A was changed since you looked"):
        pass_consent(factory.record, told, WHO)
    assert standing(factory.record, *second.split()).outcome is Outcome.DECLINED
    assert standing(factory.record, *third.split()).outcome is None
    meeting = [e for e in factory.record.events() if e.kind is Kind.MEETING]
    assert [e.data["passed"] for e in meeting] == [[first.split()]]


# --- over the weeks --------------------------------------------------------------------------


def note(record: Record, number: str, day: str, **verdicts: str) -> None:
    told = {
        finding_key(code.replace("_", "-"), "p", f"at {place}"): v for place, (code, v) in enumerate(verdicts.items())
    }
    findings = {key: {"verdict": v, "severity": 3, "domain": "d", "message": ""} for key, v in told.items()}
    data = {"review_sha256": day + number, "findings": findings, "parts": {}}
    record.append(
        Kind.REVIEWED, number, "A", WHO, data, when=datetime.fromisoformat(f"{day}T12:00:00").replace(tzinfo=UTC)
    )


def test_the_trend_counts_failing_findings_of_the_last_review_in_each_week(tmp_path):
    record = Record(tmp_path)
    assert weeks.trend(record) is None
    # Monday 2025-12-29 is the first day of ISO week 2026-W01.
    note(record, "N-1", "2025-12-28", PR_04="fails")
    note(record, "N-1", "2025-12-29", PR_04="fails", SA_01="fails")
    note(record, "N-1", "2026-01-04", PR_04="fails", SA_01="meets", PR_05="not checked")
    note(record, "N-2", "2026-01-02", PR_04="fails")
    note(record, "N-3", "2026-01-14", SA_01="fails", PR_05="fails")
    told = weeks.trend(record)
    assert told.weeks == ("2025-W52", "2026-W01", "2026-W02", "2026-W03")
    assert told.reviewed == (1, 2, 0, 1)
    assert {kind.partition(" ")[0]: counts for kind, counts in told.failing.items()} == {
        "PR-04": (1, 2, 0, 0), "PR-05": (0, 0, 0, 1), "SA-01": (0, 0, 0, 1),
    }  # fmt: skip
    assert next(iter(told.failing)) == "PR-04 Walls"


def test_only_the_last_weeks_and_the_commonest_kinds_are_shown(tmp_path):
    record = Record(tmp_path)
    note(record, "N-1", "2025-01-06", PR_04="fails")
    note(record, "N-1", "2026-03-02", **{f"PR_{number:02d}": "fails" for number in range(1, 14)})
    note(record, "N-2", "2026-03-02", PR_13="fails")
    told = weeks.trend(record)
    assert len(told.weeks) == 12
    assert told.weeks[-1] == "2026-W10"
    assert len(told.failing) == 10
    assert next(iter(told.failing)).startswith("PR-13")
    assert told.failing["All others"] == (0,) * 11 + (4,)


def test_the_chart_says_its_numbers_and_is_the_same_each_time():
    made = [trend(("2026-W01", "2026-W02"), {"PR-04 <Walls> $x$": (3, 1)}, (2, 2)) for _ in range(2)]
    assert made[0] == made[1]
    assert made[0].alt == (
        "Failing findings by kind in the weeks 2026-W01, 2026-W02: Revisions reviewed 2, 2; PR-04 <Walls> $x$ 3, 1."
    )
    assert html.fromstring(made[0].svg).tag == "svg"
    assert trend(("2026-W01",), {}, (1,)).svg


def test_a_small_picture_is_the_mean_of_the_large_one():
    ramp = np.arange(640 * 900 * 3, dtype=np.float64).reshape(640, 900, 3) % 251
    shot = Picture("p-1", "p", "t", "a", ramp.astype(np.uint8), 0.1)
    small = thumbnail(shot)
    pixels = imread(io.BytesIO(small.png or b""))[..., :3] * 255
    assert (small.width_px, small.height_px) == pixels.shape[1::-1] == (180, 128)
    # The first block of five by five pixels, by hand.
    assert pixels[0, 0] == pytest.approx(shot.rgb[:5, :5].mean(axis=(0, 1)), abs=0.51)
    assert thumbnail(shot) == small


# --- the page --------------------------------------------------------------------------------


def full(factory: Factory, text: str = "plain") -> Agenda:
    """An agenda with something in every place where a customer's or a reviewer's words are shown."""
    head = {"name": text, "customer": text, "received": "2026-03-02"}
    old = factory.add(review("N-1", finding("PR-01", F, message=text), **head))
    factory.decide(old, "PR-01", "rework", owner=text.strip() or "Bo", due=DUE)
    factory.add(review("N-1", finding("PR-01", F, message=text), revision="B", **head | {"received": "2026-03-09"}))
    factory.add(review(text.strip()[:50].replace("/", "-").replace("\0", "") or "N-2", finding("PR-01", M), **head))
    factory.refused("broken", text)
    return factory.agenda(LATER)


def test_the_page_says_what_the_agenda_says(factory):
    told = full(factory)
    page = weeks.written(told)
    assert page == factory.out / "agenda.html"
    tree = html.parse(str(page))
    assert tree.xpath("//h1/text()") == ["Week 2026-W11"]
    assert tree.xpath("//h2/text()") == [g.value for g in Group if told.of(g)] + ["Failing findings by kind"]
    numbers = [row.xpath("string(td[1])") for row in tree.xpath("//table[@class='agenda']/tbody/tr")]
    assert numbers == [str(number) for number in range(1, len(told.items) + 1)]
    links = tree.xpath("//table//a/@href")
    assert sorted(links) == sorted(f"{item.entry.slug}/review.html" for item in told.items if item.tally)
    assert len(tree.xpath("//td[@class='small']/img[starts-with(@src, 'data:image/png')]")) == len(links)
    text = tree.getroot().text_content()
    assert "rework of revision A, plain, until 2026-03-31" in text
    assert "against revision A" in text
    assert "one recorded decision releases them all" in text


@pytest.mark.parametrize("text", HOSTILE)
def test_nothing_that_people_wrote_runs_or_leads_out(tmp_path, text):
    told = full(Factory(tmp_path), text)
    for shown in (weeks.page(told), weeks.table(told.items, text).data):
        tree = html.fromstring(shown)
        assert not tree.xpath("//script | //iframe | //object | //base | //form | //link")
        assert not tree.xpath("//@*[starts-with(name(), 'on')]")
        assert not [v for v in tree.xpath("//@href | //@src") if not re.match(r"data:image/|#content|[\w-]+/review", v)]
        assert len(tree.xpath("//style")) == 1
        assert "\u202e" not in shown
        assert "W" * 301 not in shown
    assert all("\n" not in line for line in weeks.lines(told))


def test_lines_for_a_terminal(factory):
    told = weeks.lines(full(factory))
    assert told[0] == "To discuss, by severity times quantity: 1"
    assert told[1].startswith("  N-1 B plain (reviewed): 1 fails; 1 late")
    assert "  N-9 C (refused): plain" in told


def test_the_trend_is_displayed_or_told_to_be_absent(factory, monkeypatch):
    shown = []
    monkeypatch.setattr(weeks, "display", lambda told: shown.append(told.data))
    monkeypatch.setattr(weeks, "show_drawing", shown.append)
    weeks.show_trend(factory.agenda(record=False))
    told = full(factory)
    weeks.show_trend(told)
    assert "no review on record" in shown[0]
    assert shown[1:] == [weeks.trend_drawing(told)]
