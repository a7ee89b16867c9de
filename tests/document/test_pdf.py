"""Reviews in print, read back by an independent reader: both editions, hostile text, drafts and decisions."""

import io
import json
import re
from datetime import datetime
from pathlib import Path

import pypdf
import pytest

from reviewkit.document.files import sealed, write_review
from reviewkit.document.outline import CAUTIONS
from reviewkit.document.pdf import Decided, Edition, review_pdf
from reviewkit.document.sections import Section, Text, cell
from reviewkit.errors import DocumentError
from reviewkit.model import Verdict

NOT_COVERED = (("ME flexures", "no check for it yet"),)
TITLES = {"PR-01": "Plate fit", "PR-03": "First layer", "PR-04": "Walls", "IN": "Mesh and units"}
DECIDED = Decided(
    outcome="changes needed",
    reason="walls first",
    terms=(("Quantity", "500"),),
    dispositions=(
        ("PR-04:launcher:leaf 1", "rework", "thicken; owner Ben Draw; due 2026-05-01", "Ada Review", "2026-03-09"),
    ),
    open_points=(("PR-09:launcher:part", "revision 0: defer", "now fails"),),
    decided_by="Ada Review",
    head="ab" * 32,
)


def folder_of(review, drawings, path: Path) -> Path:
    write_review(review, drawings, path)
    sealed(review, path)
    return path


@pytest.fixture(scope="module")
def folder(fake_review, fake_drawings, tmp_path_factory) -> Path:
    return folder_of(fake_review, fake_drawings, tmp_path_factory.mktemp("fake"))


def flat(content: bytes) -> str:
    """Text of all pages without its spaces and breaks."""
    pages = pypdf.PdfReader(io.BytesIO(content)).pages
    return re.sub(r"[\s\u200b\u00ad\-]", "", "".join(page.extract_text() for page in pages))


def squeezed(text: str) -> str:
    return re.sub(r"[\s\u200b\u00ad\-]", "", text)


def test_the_internal_edition_says_everything(folder, fake_review) -> None:
    made = review_pdf(folder, NOT_COVERED, TITLES, more=[Section("Proposals", (Text(cell("Stand it up.")),))])
    text = flat(made.content)
    for part in ("WP-2041", "Tidal water-play launcher", "draft, not signed", "Suggested outcome", "Proposals",
                 "Stand it up.", "What stops it", "Action list", "What was not checked", "ME flexures",
                 "Limits and their sources",
                 "Reviewer", "Approver, who is not the reviewer", fake_review.parts[0].sha256):  # fmt: skip
        assert squeezed(part) in text, part
    for finding in fake_review.findings:
        # Those alike in all but place stand as a number and a place with the first of them.
        number = fake_review.findings.index(finding) + 1
        assert squeezed(finding.message) in text or squeezed(f"No. {number} {finding.subject}") in text
        for limit in finding.limits:
            assert squeezed(limit.source.title or "common practice") in text
    for caution in CAUTIONS:
        assert squeezed(caution) in text
    pages = len(pypdf.PdfReader(io.BytesIO(made.content)).pages)
    assert f"page1of{pages}" in text and f"page{pages}of{pages}" in text


def test_boxes_for_both_signatures_lie_on_a_page(folder) -> None:
    made = review_pdf(folder, NOT_COVERED, TITLES)
    assert [mark["role"] for mark in made.marks] == ["reviewer", "approver"]
    pages = len(pypdf.PdfReader(io.BytesIO(made.content)).pages)
    for mark in made.marks:
        assert 1 <= mark["page"] <= pages
        assert mark["x_pt"] > 0 and mark["x_pt"] + mark["width_pt"] < 595.3
        assert mark["y_pt"] > 0 and mark["y_pt"] + mark["height_pt"] < 841.9


def test_a_decided_document_says_who_decided_what(folder) -> None:
    text = flat(review_pdf(folder, NOT_COVERED, TITLES, decided=DECIDED).content)
    for part in ("Outcome: changes needed", "walls first", "thicken; owner Ben Draw; due 2026-05-01", "Ada Review",
                 "revision 0: defer", "now fails", DECIDED.head, "for signature"):  # fmt: skip
        assert squeezed(part) in text, part
    assert "draft,notsigned" not in text


def test_the_customers_edition_leads_with_the_changes_and_keeps_ours_out(folder, fake_review) -> None:
    proposal = Section("Proposals", (Text(cell("Stand it up.")),))
    text = flat(
        review_pdf(folder, NOT_COVERED, TITLES, edition=Edition.CUSTOMER, decided=DECIDED, more=[proposal]).content
    )
    assert text.index("Proposals") < text.index("Whattochange") < text.index("Pictures")
    for ours in ("thicken; owner", "Ada Review", "Rests on a guess", "SHA-256", DECIDED.head, "wall-two-lines"):
        assert squeezed(ours) not in text
    for finding in fake_review.findings:
        if finding.verdict is Verdict.FAILS and any(action.finding == finding.key for action in fake_review.actions):
            assert squeezed(finding.message) in text


@pytest.mark.parametrize("name", ["hostile_review", "longest_review", "empty_review"])
@pytest.mark.parametrize("edition", list(Edition))
def test_no_text_stops_the_build(name, edition, request, tmp_path, fake_drawings) -> None:
    review = request.getfixturevalue(name)
    drawings = fake_drawings if name != "empty_review" else ()
    made = review_pdf(folder_of(review, drawings, tmp_path), NOT_COVERED, TITLES, edition=edition)
    assert len(pypdf.PdfReader(io.BytesIO(made.content)).pages) >= 2


def test_hostile_words_stay_words(hostile_review, fake_drawings, tmp_path) -> None:
    made = review_pdf(folder_of(hostile_review, fake_drawings, tmp_path), NOT_COVERED, TITLES)
    text = flat(made.content)
    for word in ('#eval("1")', "*b*", "$x^2$", "<script>alert(1)</script>", "{{7*7}}"):
        assert squeezed(word) in text, word
    # What no font can draw is told by its code point, once in the result and at each place.
    assert {"株", "🧪"} <= set(made.replaced)
    assert "[U+682A]" in text
    assert "\u202e" not in text


def test_the_same_files_give_the_same_bytes(folder) -> None:
    assert review_pdf(folder, NOT_COVERED, TITLES).content == review_pdf(folder, NOT_COVERED, TITLES).content


def test_the_document_is_tagged_titled_dated_and_carries_its_manifest(folder) -> None:
    reader = pypdf.PdfReader(io.BytesIO(review_pdf(folder, NOT_COVERED, TITLES).content))
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] and "/StructTreeRoot" in root
    assert reader.attachments["manifest.json"][0] == (folder / "manifest.json").read_bytes()
    made = datetime.fromisoformat(json.loads((folder / "manifest.json").read_bytes())["made"])
    assert f"{made:%Y%m%d%H%M}" in str(reader.metadata["/CreationDate"])
    assert "Tidal water-play launcher" in reader.metadata.title
    fonts = {f["/BaseFont"] for p in reader.pages for f in (x.get_object() for x in p["/Resources"]["/Font"].values())}
    assert fonts and all("DejaVuSans" in font for font in fonts)


def test_a_damaged_folder_is_refused_in_a_line(folder, tmp_path, fake_review, fake_drawings) -> None:
    broken = folder_of(fake_review, fake_drawings, tmp_path)
    (broken / "manifest.json").write_text("{}")
    with pytest.raises(DocumentError, match="holds no readable manifest"):
        review_pdf(broken)
