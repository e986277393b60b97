"""Reports are printed here from what they say, in several layouts and languages, and read back cell by cell."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Final

import pytest
from reportlab.lib import colors, pdfencrypt
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import getSampleStyleSheet
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import PageBreak, Paragraph, SimpleDocTemplate, Spacer, Table, TableStyle

from pipeline.ingest.extract import extract
from pipeline.ingest.layouts import load_layouts, match_layout
from pipeline.ingest.pdf.document import is_pdf, pages
from pipeline.ingest.unreadable import Unreadable

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reportlab.platypus import Flowable

    from pipeline.ingest.grid import Grid

PLAIN = getSampleStyleSheet()["Normal"]
GRID = TableStyle([("GRID", (0, 0), (-1, -1), 0.5, colors.grey)])
RULE = TableStyle([("LINEBELOW", (0, 0), (-1, 0), 1.0, colors.black)])
ZEBRA = TableStyle([("ROWBACKGROUNDS", (0, 1), (-1, -1), [colors.whitesmoke, colors.white])])
BARE = TableStyle([])
STYLES = {"grid": GRID, "rule": RULE, "zebra": ZEBRA, "bare": BARE}

# Names, results, units and legal limits of made-up reports; the headings are those of ordinary certificates.
HEADINGS: Final = {
    "en": ("Parameter", "Result", "Unit", "Limit value", "Method"),
    "de": ("Parameter", "Ergebnis", "Einheit", "Grenzwert", "Verfahren"),
    "fr": ("Paramètre", "Résultat", "Unité", "Limite de qualité", "Méthode"),
    "it": ("Parametro", "Risultato", "Unità di misura", "Valore di parametro", "Metodo"),
    "es": ("Parámetro", "Resultado", "Unidad", "Valor paramétrico", "Método"),
    "nl": ("Parameter", "Waarde", "Eenheid", "Norm", "Methode"),
}
RESULTS: Final = {
    "en": [
        ("pH", "7.6", "", "6.5 - 9.5"),
        ("Conductivity at 25 °C", "483", "µS/cm", "2790"),
        ("Calcium", "62.0", "mg/l", ""),
        ("Iron", "<10", "µg/l", "200"),
    ],
    "de": [
        ("pH-Wert", "7,42", "", "6,5 - 9,5"),
        ("Leitfähigkeit bei 25 °C", "612", "µS/cm", "2790"),
        ("Gesamthärte", "16,3", "°dH", ""),
        ("Säurekapazität bis pH 4,3", "5,1", "mmol/l", ""),
        ("Eisen", "< 0,01", "mg/l", "0,2"),
    ],
    "fr": [
        ("Conductivité à 25 °C", "512", "µS/cm", "1100"),
        ("Calcium", "88,5", "mg/L", ""),
        ("Titre hydrotimétrique", "26,3", "°f", ""),
        ("Nitrates", "12,4", "mg/L", "50"),
    ],
    "it": [("Durezza totale", "24,5", "°f", ""), ("Calcio", "78,1", "mg/l", ""), ("Cloruri", "21", "mg/l", "250")],
    "es": [
        ("Dureza total", "218", "mg/l CaCO3", ""),
        ("Calcio", "66,2", "mg/l", ""),
        ("Cloruros", "27", "mg/l", "250"),
    ],
    "nl": [
        ("Totale hardheid", "2,53", "mmol/l", ""),
        ("Calcium", "82,4", "mg/l", ""),
        ("Nitraat", "6,1", "mg/l", "50"),
    ],
}


def printed(flow: Sequence[Flowable], **options: object) -> bytes:
    out = io.BytesIO()
    SimpleDocTemplate(out, pagesize=A4, **options).build(list(flow))
    return out.getvalue()


def lines(*texts: str) -> list[Flowable]:
    return [Paragraph(text, PLAIN) for text in texts]


def table(language: str, style: TableStyle) -> Table:
    rows = [HEADINGS[language], *((*result, "in house") for result in RESULTS[language])]
    return Table([list(row) for row in rows], style=style)


def read(grids: Sequence[Grid]) -> list[tuple[str, str]]:
    """Take grids through the layouts: result and unit with its form, of every accepted entry, as written."""
    found = []
    for grid in grids:
        match = match_layout(grid, load_layouts(None))
        assert match is not None, [grid.row(number) for number in range(len(grid))]
        cells = extract(grid, match, "0" * 64).cells
        forms = cells["basis"].astype("str").where(cells["basis"].isin(["as CaCO3"]), "")
        units = cells["raw_unit"].astype("str") + forms.str.replace("as ", " ")
        found += list(zip(cells["raw_text"].astype("str"), units, strict=True))
    return found


def expected(language: str) -> list[tuple[str, str]]:
    return [(result, unit) for _, result, unit, _ in RESULTS[language]]


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("language", RESULTS)
def test_a_table_of_results_is_read_cell_by_cell(language: str, style: str) -> None:
    """The results, not the limits or methods beside them, whatever lines the table has."""
    data = printed([*lines("Certificate 1"), Spacer(1, 12), table(language, STYLES[style])])

    cells = read(pages(data))

    assert cells == expected(language)


@pytest.mark.parametrize("pattern", ["{0} ................. {1} {2} (max. {3})", "{0}: {1} {2}", "{0}   {1} {2}"])
@pytest.mark.parametrize("language", RESULTS)
def test_lines_of_name_value_and_unit_are_read(language: str, pattern: str) -> None:
    """A number inside a name ("pH 4,3", "25 °C") is no result; what stands behind the unit is none either."""
    said = [pattern.format(*result) for result in RESULTS[language]]
    data = printed(lines("Certificate 1", *said, "Page 1 of 1"))

    cells = read(pages(data))

    assert cells == expected(language)


def test_what_the_head_states_stands_above_the_table() -> None:
    """Two statements on one line are two; addresses and telephone numbers are none."""
    head = Table(
        [["Client: Nobody Ltd", "Report no.: 25-1"], ["Sampled: 11 March 2025", "Sample no.: W-1"]], style=BARE
    )
    data = printed([*lines("12 Example Road, Tel. 01234 567890"), head, Spacer(1, 12), table("en", GRID)])

    [grid] = pages(data)

    stated = [tuple(grid.row(number)) for number in range(len(grid)) if len(grid.row(number)) == 2]
    assert stated == [
        ("Client", "Nobody Ltd"),
        ("Report no.", "25-1"),
        ("Sampled", "11 March 2025"),
        ("Sample no.", "W-1"),
    ]
    assert grid.sheet == "page 1"


def test_every_sample_of_a_report_keeps_its_own_head() -> None:
    """What was said of the first sample is not said of the second."""
    first = [*lines("Sample no.: A", "Sampling point: kitchen"), Spacer(1, 8), table("en", RULE), PageBreak()]
    second = [*lines("Sample no.: B"), Spacer(1, 8), table("en", RULE)]
    grids = pages(printed([*lines("Client: Nobody Ltd"), *first, *second]))

    heads = [dict(grid.row(k) for k in range(len(grid)) if len(grid.row(k)) == 2) for grid in grids]

    assert heads == [
        {"Client": "Nobody Ltd", "Sample no.": "A", "Sampling point": "kitchen"},
        {"Client": "Nobody Ltd", "Sample no.": "B"},
    ]
    assert [grid.sheet for grid in grids] == ["page 1", "page 2"]


@pytest.mark.parametrize(("style", "repeated"), [("grid", 0), ("grid", 1), ("rule", 1)])
def test_a_table_over_several_pages_is_one_list(style: str, repeated: int) -> None:
    """With its headings on every page or only on the first."""
    rows = [["Probe", "pH", "Calcium mg/l"], *([f"Q-{n}", f"7,{n % 10}", f"{70 + n % 20},1"] for n in range(90))]
    grids = pages(printed([Table(rows, style=STYLES[style], repeatRows=repeated)]))

    texts = [text for text, _ in read(grids)]

    assert len(grids) == 3
    assert texts == [cell for row in rows[1:] for cell in row[1:]]


def test_raised_and_lowered_signs_are_no_digits() -> None:
    """A footnote mark at a result stays a mark; the 3 of CaCO₃ belongs to the name."""
    rows = [
        ["Parameter", "Result", "Unit"],
        [Paragraph("Alkalinity as CaCO<sub>3</sub>", PLAIN), Paragraph("188<super>2</super>", PLAIN), "mg/l"],
        ["Calcium", "82.1", "mg/l"],
    ]
    [grid] = pages(printed([Table(rows, style=GRID, colWidths=[200, 60, 60])]))

    assert grid.row(1) == ["Alkalinity as CaCO₃", "188²", "mg/l"]


def test_a_name_over_two_lines_is_one() -> None:
    """The second line of a long name belongs to the row above, without drawn lines too."""
    name = Paragraph("Total hardness, calculated from calcium and magnesium", PLAIN)
    rows = [["Parameter", "Result", "Unit"], [name, "212", "mg/l"], ["Calcium", "62.0", "mg/l"], ["pH", "7.6", ""]]
    [grid] = pages(printed([Table(rows, style=BARE, colWidths=[150, 60, 60])]))

    assert [row[1] for row in map(grid.row, range(len(grid)))] == ["Result", "212", "62.0", "7.6"]


def test_a_picture_is_said_to_be_one() -> None:
    """A scanned page holds no text; nothing is guessed from it."""
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=A4)
    from PIL import Image  # noqa: PLC0415
    from reportlab.lib.utils import ImageReader  # noqa: PLC0415

    canvas.drawImage(ImageReader(Image.new("L", (40, 40), 200)), 0, 0, *A4)
    canvas.save()

    with pytest.raises(Unreadable, match="picture") as refused:
        pages(out.getvalue())

    assert refused.value.code == "file-is-picture"


def test_a_locked_a_damaged_and_an_empty_report_say_so() -> None:
    """Each in its own words."""
    whole = printed([table("en", GRID)])
    locked = printed([table("en", GRID)], encrypt=pdfencrypt.StandardEncryption("secret"))
    prose = printed(lines("Dear client, your water is fine."))

    for data, words in ((locked, "locked"), (whole[: len(whole) // 3], "damaged"), (prose, "no table")):
        with pytest.raises(Unreadable, match=words):
            pages(data)


def test_a_pdf_is_told_by_its_first_bytes() -> None:
    """Readers accept the mark anywhere in the first 1,024 bytes (ISO 32000-1, annex H)."""
    assert is_pdf(b"\n\n%PDF-1.7 ...")
    assert not is_pdf(b"Probe;pH\nA;7")
