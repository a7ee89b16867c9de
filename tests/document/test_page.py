"""The review document: nothing live in it, nothing missing from it, one first page."""

import base64
import math
import re
import shutil
import subprocess
from collections import Counter
from dataclasses import replace
from importlib.resources import files
from itertools import pairwise

import pytest
from corpus import HOSTILE
from lxml import html

from reviewkit.document.page import TitleBlock, environment, review_html
from reviewkit.document.text import display_text, limit_text
from reviewkit.errors import DocumentError
from reviewkit.model import Action, Drawing, Fact, Origin, Status, Verdict

ALLOWED = frozenset(
    ("html", "head", "meta", "title", "style", "body", "a", "main", "nav", "header", "footer", "section", "article",
     "h1", "h2", "h3", "h4", "p", "b", "strong", "cite", "span", "bdi", "br", "div", "ul", "ol", "li", "dl", "dt", "dd",
     "table", "caption", "thead", "tbody", "tr", "th", "td", "figure", "figcaption", "img")
)  # fmt: skip
ATTRIBUTES = frozenset(
    ("lang", "charset", "http-equiv", "content", "name", "class", "id", "href", "src", "alt", "width", "height",
     "scope", "colspan", "aria-labelledby", "aria-hidden")
)  # fmt: skip
NOT_COVERED = (("PR-02 poses", "judged by a later version"), ("SA safety", "needs an accredited laboratory"))
TITLES = {"PR-01": "Plate fit", "PR-03": "First layer", "PR-04": "Walls"}
STATUS_WORDS = {Status.SEEN: "seen", Status.MEMORY: "from memory", Status.PRACTICE: "common practice"}


@pytest.fixture(scope="module")
def pages(fake_review, fake_drawings, hostile_review, longest_review, empty_review):
    reviews = {"kind": fake_review, "hostile": hostile_review, "longest": longest_review}
    made = {name: review_html(review, fake_drawings, NOT_COVERED, TITLES) for name, review in reviews.items()}
    return made | {"empty": review_html(empty_review, ())}


@pytest.fixture(scope="module", params=["kind", "hostile", "longest", "empty"])
def any_page(request, pages):
    return html.document_fromstring(pages[request.param])


@pytest.fixture(scope="module")
def kind_page(pages):
    return html.document_fromstring(pages["kind"])


def words(element):
    return " ".join(element.text_content().split())


def row_of(page, number):
    return page.get_element_by_id(f"finding-{number}")


def test_nothing_live_survives(any_page):
    for element in any_page.iter():
        assert element.tag in ALLOWED
        assert not set(element.attrib) - ATTRIBUTES
    for link in any_page.iter("a"):
        assert re.fullmatch(r"#[a-z0-9-]+", link.get("href"))
    for image in any_page.iter("img"):
        assert re.match(r"data:image/(png|svg\+xml);base64,[A-Za-z0-9+/]+=*$", image.get("src"))


def test_the_browser_is_told_to_load_nothing(any_page):
    (policy,) = any_page.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")
    assert policy == "default-src 'none'; img-src data:; style-src 'unsafe-inline'"
    (style,) = any_page.xpath("//style")
    assert not re.search(r"url\(|@import|<", style.text)


def test_svg_stays_inside_images(pages, fake_drawings):
    assert "<svg" not in pages["kind"]
    drawn = next(drawing.svg for drawing in fake_drawings if drawing.svg)
    assert base64.b64encode(drawn).decode() in pages["kind"]


@pytest.mark.parametrize("text", [text for text in HOSTILE if text])
def test_hostile_text_is_shown_as_text(text, fake_review):
    review = replace(
        fake_review,
        submission=dict(fake_review.submission) | {"name": text, "customer": text},
        parts=(replace(fake_review.parts[0], name=text, file=text, units_note=text),),
        facts=(Fact(text, text, Origin.ASSUMED, text),),
        findings=tuple(replace(f, subject=text, message=text, change=text) for f in fake_review.findings[:1]),
        actions=(Action(1, text, text, text, text, text),),
        outcome_reason=text,
    )
    source = review_html(review, (), [(text, text)], {"IN-01": text})
    page = html.document_fromstring(source)
    assert {element.tag for element in page.iter()} <= ALLOWED
    shown = display_text(text, 60)[:-1]
    assert shown in words(page.xpath("//h1")[0])
    assert shown in page.xpath("//title")[0].text
    for place in ("facts", "findings", "actions", "not-checked", "part-facts", "title-block"):
        assert shown in words(page.xpath(f"//section[@aria-labelledby='{place}']")[0]), place
    assert "\u202e" not in source
    assert "\x00" not in source


def test_whatever_a_template_prints_is_cleaned_and_escaped():
    assert environment().from_string("{{ name }}").render(name="a\u202eb\x00 <i>&") == "ab &lt;i&gt;&amp;"


def test_names_cannot_leave_the_style_sheet(hostile_review):
    name = '"; } </style><script>alert(1)</script> \\" * { display: none }'
    review = replace(hostile_review, submission={"name": name}, parts=())
    style = html.document_fromstring(review_html(review, ())).xpath("//style")[0].text
    title = re.search(r'@top-left \{ content: "([^"\n]*)"', style).group(1)
    assert re.fullmatch(r"(?:[A-Za-z0-9]|\\[0-9a-f]{6})+", title)
    read = re.sub(r"\\([0-9a-f]{6})", lambda match: chr(int(match.group(1), 16)), title)
    assert read == f"Design review: {display_text(name, 40)}"


def test_every_image_has_alternative_text(any_page):
    for image in any_page.iter("img"):
        assert len(image.get("alt")) > 3
        assert int(image.get("width")) > 0 < int(image.get("height"))


def test_a_drawing_without_alternative_text_falls_back_to_its_title(fake_review):
    drawing = Drawing("x", "", "From above", "", "", b"<svg/>", None, 10, 10)
    (image,) = html.document_fromstring(review_html(fake_review, [drawing])).iter("img")
    assert image.get("alt") == "From above"


def test_headings_skip_no_level(any_page):
    levels = [int(element.tag[1]) for element in any_page.iter("h1", "h2", "h3", "h4", "h5", "h6")]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(later - earlier <= 1 for earlier, later in pairwise(levels))


def test_landmarks_and_skip_link(any_page):
    assert any_page.get("lang") == "en"
    assert any_page.xpath("boolean(//title[string-length(.) > 15])")
    assert [len(any_page.xpath(f"//{tag}")) for tag in ("main", "nav", "footer")] == [1, 1, 1]
    first = any_page.find("body")[0]
    assert (first.tag, first.get("href")) == ("a", "#content")


def test_references_meet_their_targets(any_page):
    ids = Counter(any_page.xpath("//@id"))
    assert max(ids.values()) == 1
    targets = {link.get("href")[1:] for link in any_page.iter("a")} | set(any_page.xpath("//@aria-labelledby"))
    assert targets <= set(ids)


def test_tables_have_captions_and_scopes(any_page):
    tables = any_page.xpath("//table")
    assert len(tables) >= 6
    for table in tables:
        assert table[0].tag == "caption"
        assert words(table[0])
        assert {cell.get("scope") for cell in table.xpath("./thead//th")} == {"col"}
        columns = len(table.xpath("./thead/tr/th"))
        for row in table.xpath("./tbody/tr"):
            assert sum(int(cell.get("colspan", "1")) for cell in row) == columns
            assert row[0].get("scope") == "row" or row[0].get("colspan") == str(columns)


def test_first_page_names_at_most_three_matters(pages, fake_review):
    many = html.document_fromstring(pages["longest"]).xpath("//article")
    assert len(many) == 3
    cards = html.document_fromstring(pages["kind"]).xpath("//section[@class='sheet-one']//article")
    # Two leaves fail alike and share a card; functions before yield.
    assert [re.match(r"No\. (\d+)", words(card)).group(1) for card in cards] == ["6", "10", "8"]
    for card, key in zip(
        cards, ("PR-01:launcher:part", "PR-04:launcher:leaf 1", "PR-03:launcher:first layer"), strict=True
    ):
        finding = next(f for f in fake_review.findings if f.key == key)
        assert finding.message in words(card)
        assert f"What would settle it: {finding.change}" in words(card)
        assert card.xpath(".//img")
    assert "and 1 more like it" in words(cards[1])
    gains = [words(card).split("Expected gain: ")[1] for card in cards]
    assert gains[0] == "fits the standard machine: 118 printers instead of 40 large ones"
    assert gains[1] == "not priced yet"


def test_first_page_says_what_the_outcome_is_and_for_what(kind_page):
    sheet = words(kind_page.xpath("//section[@class='sheet-one']")[0])
    for text in ("Tidal water-play launcher", "WP-2041", "revision A", "Suggested outcome: changes needed",
                 "only a suggestion", "Four findings fail", "10,000", "PETG", "Press 240", "pilot"):  # fmt: skip
        assert text in sheet


def test_first_page_asks_the_customer(kind_page):
    needs = [words(item) for item in kind_page.xpath("//ul[@class='needs']/li")]
    assert needs == [
        "Confirm the units: launcher.stl was read in inches, which makes it "
        "254 \u00d7 96.01 \u00d7 35.56 mm (10 \u00d7 3.78 \u00d7 1.4 in).",
        "State what is not known yet: markets.",
        "Confirm or correct what was taken without your word: material: PETG, cycles: 5000.",
        "PR-04 Walls: Send the grip as a closed solid.",
        "PR-12: Name the standard and who tests against it.",
    ]


def test_a_review_without_a_failing_finding_says_what_release_needs(pages, empty_review, fake_review):
    sheet = words(html.document_fromstring(pages["empty"]).xpath("//section[@class='sheet-one']")[0])
    assert "Nothing that was measured stops the part" in sheet
    assert "signature of an approver" in sheet
    assert "units and facts are confirmed" in sheet
    marginal = replace(fake_review, findings=tuple(f for f in fake_review.findings if not f.stops))
    needed = words(html.document_fromstring(review_html(marginal, (), NOT_COVERED)).xpath("//section")[0])
    for text in ("10 marginal findings", "2 matters not checked", "2 matters that this kit does not judge", "units"):
        assert text in needed
    none = html.document_fromstring(review_html(replace(empty_review, findings=()), ()))
    assert "this review holds no finding at all" in words(none)
    assert "No check has been run" in words(none)


def test_a_bare_mesh_is_named_by_its_file(empty_review):
    part = replace(empty_review.parts[0], name="", number="")
    facts = (Fact("markets", "not stated", Origin.ASSUMED), Fact("material", "PETG", Origin.ASSUMED))
    review = replace(empty_review, submission={"name": ""}, parts=(part,), facts=facts, outcome_reason="nothing fails")
    page = html.document_fromstring(review_html(review, ()))
    assert words(page.xpath("//h1")[0]) == "float.stl"
    assert "speaks against making the part as submitted. Nothing fails." in words(page)
    rows = {words(row[0]): words(row[2]) for row in page.xpath("//table[@class='facts']/tbody/tr")}
    assert rows == {"markets": "stated by nobody", "material": "assumed, stated by nobody"}


def test_every_finding_stands_with_its_verdict_value_and_limit(kind_page, fake_review):
    for number, finding in enumerate(fake_review.findings, 1):
        row = row_of(kind_page, number)
        text = words(row)
        if row.tag == "span":
            # One of several alike: it is named under the first of them, with its number and value.
            assert f"No. {number}" in text
            continue
        assert finding.message in text
        table = row.xpath("ancestor::table")[0]
        shown = row if finding.verdict is not Verdict.MEETS else table.xpath("caption")[0]
        assert words(shown.xpath(".//span[contains(@class, 'verdict')]")[0]) == finding.verdict.value
        assert finding.change in text or finding.verdict is Verdict.MEETS
        for measurement in finding.measurements:
            assert measurement.quantity in text
        for limit in finding.limits:
            assert limit_text(limit, "in") in text
            assert limit.source.title in text
            assert STATUS_WORDS[limit.source.status] in text


def test_values_stand_with_uncertainty_in_both_units(kind_page):
    assert "-7.85 ± 0.02 mm (-0.309 in)" in words(row_of(kind_page, 6))
    assert "0.312 ± 0.031 mm (0.0123 in)" in words(row_of(kind_page, 10))


def test_what_no_limit_bounds_stands_apart(kind_page):
    row = row_of(kind_page, 10)
    assert "wall thickness 0.312 ± 0.031 mm" in words(row[3])
    assert "share of wall area" not in words(row[3])
    assert "Also measured: share of wall area under the limit 0.118 ± 0.020" in words(row[1])
    assert "at least 0.8 mm (0.0315 in), that is 2 line widths to meet" in words(row[4])
    assert "at least 0.4 mm (0.0157 in), that is 1 line width, or it fails" in words(row[4])
    assert words(row[4]).count("wall thickness") == words(row[4]).count("common practice") == 1


def test_every_limit_used_is_listed_once_with_its_source(kind_page, fake_review):
    used = {limit.id: limit for finding in fake_review.findings for limit in finding.limits}
    rows = kind_page.xpath("//table[@class='limits']/tbody/tr")
    assert len(rows) == len(used) == 8
    for row, id in zip(rows, sorted(used), strict=True):
        limit = used[id]
        assert id in words(row[0])
        assert limit_text(limit, "in") in words(row[0])
        assert (limit.source.title or "no published source") in words(row[1])
        assert limit.source.address in words(row[1])
        assert words(row[2]) == STATUS_WORDS[limit.source.status]


def test_what_was_not_checked_is_listed(kind_page, fake_review):
    section = kind_page.xpath("//section[@aria-labelledby='not-checked']")[0]
    unchecked = [f for f in fake_review.findings if f.verdict is Verdict.NOT_CHECKED]
    assert len(unchecked) == 2
    for finding in unchecked:
        assert finding.message in words(section)
    for matter, why in NOT_COVERED:
        assert f"{matter} {why}" in " ".join(cell for row in section.xpath(".//tr") for cell in map(words, row))


def test_pictures_actions_facts_and_setup_are_there(kind_page):
    text = words(kind_page)
    for part in ("Launcher from above and the front", "Floating dart from the side",
                 "Finding 6: The part on the plate", "turned so that the drawing's +y points up",
                 "least overhang of four stable poses", "assumed, stated by",
                 "a part of 10 x 3.78 x 1.4 is probably in inches", "240 \u00d7 240 mm (9.449 \u00d7 9.449 in)",
                 "91,234 mm³", "reviewkit 0.1.0", "0123456789abcdef" * 4, "draft, not signed"):  # fmt: skip
        assert part in text
    actions = [words(row) for row in kind_page.xpath("//table[@class='actions']/tbody/tr")]
    assert [row[0] for row in actions] == ["1", "2", "3"]
    assert actions[0].count("to be") == 2
    assert actions[2].endswith("not priced yet")


def test_cautions_defer_to_laboratories_and_law(kind_page):
    cautions = words(kind_page.xpath("//section[@aria-labelledby='cautions']")[0])
    for text in ("No printed part was tested", "children", "pinch", "shot", "accredited laboratories", "law",
                 "licensed", "no declaration of conformity", "age of its users", "need a hand",
                 "population named"):  # fmt: skip
        assert text in cautions


def test_title_block_is_filled(fake_review):
    block = TitleBlock(owner="Tidewater Works", issued="2027-01-05", creator="R. Example", status="for review")
    page = html.document_fromstring(review_html(fake_review, (), title_block=block))
    rows = {words(row[0]): words(row[1]) for row in page.xpath("//section[@aria-labelledby='title-block']//tbody/tr")}
    assert rows["Legal owner"] == "Tidewater Works"
    assert rows["Date of issue"] == "2027-01-05"
    assert rows["Document status"] == "for review"
    # Fields that ISO 7200:2004 makes mandatory, as its published table of fields lists them.
    assert {"Legal owner", "Identification number", "Date of issue", "Sheet", "Title", "Approval person", "Creator",
            "Document type"} <= set(rows)  # fmt: skip


def test_the_same_review_gives_the_same_page(fake_review, fake_drawings, pages):
    assert review_html(fake_review, fake_drawings, NOT_COVERED, TITLES) == pages["kind"]


def test_a_drawing_without_an_image_is_refused(fake_review):
    with pytest.raises(DocumentError, match="neither SVG nor PNG"):
        review_html(fake_review, [Drawing("bare", "", "", "", "", None, None, 1, 1)])


def test_colours_of_text_stand_out():
    # WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1; relative luminance as defined there (from memory).
    def luminance(colour):
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    def contrast(one, other):
        light, dark = sorted((luminance(one), luminance(other)), reverse=True)
        return (light + 0.05) / (dark + 0.05)

    assert math.isclose(contrast("#777777", "#ffffff"), 4.48, abs_tol=0.005)
    templates = files("reviewkit.document") / "templates"
    used = "".join((templates / name).read_text() for name in ("page.css", "verdicts.css"))
    inks = set(re.findall(r"(?:color: |--(?:ink|soft|deep): )(#[0-9a-f]{6})", used))
    assert len(inks) == 6
    assert min(contrast(ink, paper) for ink in inks for paper in ("#ffffff", "#f3f5f7")) >= 4.5


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no browser on this machine prints the page")
@pytest.mark.parametrize("name", ["longest", "hostile"])
def test_first_page_prints_on_one_sheet_of_a4(name, pages, tmp_path):
    page = html.document_fromstring(pages[name])
    for later in page.xpath("//main/*[not(@class='sheet-one')] | //footer"):
        later.getparent().remove(later)
    page.xpath("//main")[0].append(html.fragment_fromstring("<p>What follows starts a page of its own.</p>"))
    source = tmp_path / "first.html"
    source.write_text("<!DOCTYPE html>" + html.tostring(page, encoding="unicode"), encoding="utf-8")
    printed = tmp_path / "first.pdf"
    subprocess.run(
        ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-pdf-header-footer",
         f"--user-data-dir={tmp_path / 'profile'}", f"--print-to-pdf={printed}", source.as_uri()],
        check=True, capture_output=True, timeout=60,
    )  # fmt: skip
    content = printed.read_bytes()
    assert len(re.findall(rb"/Type\s*/Page\b", content)) == 2
    # ISO 216: A4 is 210 x 297 mm, that is 595.28 x 841.89 points.
    width, height = map(float, re.search(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", content).groups())
    assert abs(width - 595.28) < 1 > abs(height - 841.89)
