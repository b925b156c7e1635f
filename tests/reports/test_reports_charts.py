"""Charts of reports: what is drawn, what is said of it, and that nothing of the data is run or taken for markup."""

from __future__ import annotations

import datetime as dt
import io
import itertools
import math
from decimal import Decimal

import pytest
from defusedxml import ElementTree
from PIL import Image

from opticshop.branches.models import Branch
from opticshop.reports.charts import PALETTE, Comparison, NoChart, chart_png, chart_svg, described
from opticshop.reports.registry import Chart, Column, Report, Scope

SVG = "{http://www.w3.org/2000/svg}"
FEBRUARY = dt.date(2026, 2, 2), dt.date(2026, 2, 8)
WEEK_BEFORE = dt.date(2026, 1, 26), dt.date(2026, 2, 1)
NET = Column("net", "Net sales", "money", "Without tax.")
MARGIN = Column("margin", "Margin", "money", "Net less cost.")
SHARE = Column("share", "Margin share", "share", "Margin over net.")
CURRENCY = Column("currency", "Currency", "text", "Of the branch.")


def report(*columns, kind="bars", chart=True):
    drawn = Chart(kind, "by", tuple(column.key for column in columns)) if chart else None
    every = (CURRENCY, *columns)
    groupings = ("branch", "product", "day", "week")
    return Report("k", "Sales", "What was sold.", every, groupings, lambda scope: [], "-", "p", chart=drawn)


def asked(by, days=FEBRUARY):
    return Scope(*days, (Branch(code="MILL"), Branch(code="QUAY")), by)


def sold(by, group, net, currency="GBP", **further):
    return {by: group, "currency": currency, "net": Decimal(net), **further}


def parsed(drawn):
    return ElementTree.fromstring(drawn, forbid_dtd=False)


def test_it_is_one_image_with_a_name_and_a_description():
    root = parsed(chart_svg(report(NET), asked("branch"), [sold("branch", "MILL", "1234.50")]))
    assert root.get("role") == "img"
    named = {element.get("id"): element.text for element in root if element.tag in (f"{SVG}title", f"{SVG}desc")}
    assert list(named) == [root.get("aria-labelledby"), root.get("aria-describedby")]
    assert len(root.findall(f".//{SVG}title")) == 1, "a second title would be read out as well"
    assert named["chart-title"] == "Sales"
    words = "What was sold. 2026-02-02 to 2026-02-08 · by branch · MILL, QUAY. Net sales in GBP: MILL 1\u202f234.50."
    assert named["chart-words"] == words


def test_currencies_are_never_on_one_axis():
    rows = [sold("branch", "MILL", "10"), sold("branch", "QUAY", "20", "EUR")]
    words = described(report(NET), asked("branch"), rows)
    assert "Net sales in EUR: QUAY 20.00. Net sales in GBP: MILL 10.00." in words
    assert axes_of(chart_svg(report(NET), asked("branch"), rows)) == 2


def test_shares_of_several_currencies_stand_on_one_axis_where_no_group_has_two():
    rows = [
        sold("branch", "MILL", "10", share=Decimal("0.612")),
        sold("branch", "QUAY", "20", "EUR", share=Decimal("0.5")),
    ]
    words = described(report(SHARE), asked("branch"), rows)
    assert "Margin share: MILL 61.2\u202f%, QUAY 50.0\u202f%." in words
    two_of_one = [sold("product", "LENS", "1", c, share=Decimal(s)) for c, s in (("EUR", "0.5"), ("GBP", "0.6"))]
    assert axes_of(chart_svg(report(SHARE), asked("product"), two_of_one)) == 2


def axes_of(drawn):
    ids = [element.get("id", "") for element in parsed(drawn).iter(f"{SVG}g")]
    return sum(name.startswith("axes_") for name in ids)


def test_days_without_a_row_are_nothing_for_a_sum_and_a_gap_for_a_share():
    rows = [sold("day", "2026-02-03", "5", share=Decimal("0.5")), sold("day", "2026-02-08", "7", share=None)]
    assert (
        "GBP: 2026-02-02 0.00, 2026-02-03 5.00, 2026-02-04 0.00, 2026-02-05 0.00, 2026-02-06 0.00, 2026-02-07 0.00, "
        "2026-02-08 7.00." in described(report(NET), asked("day"), rows)
    )
    assert "Margin share: 2026-02-03 50.0\u202f%." in described(report(SHARE), asked("day"), rows)


def test_the_period_before_is_compared_by_place_in_time_and_by_name_else():
    """Of days the second with the second, though the first of the period before had no row."""
    before = Comparison(asked("day", WEEK_BEFORE), [sold("day", "2026-01-27", "3")])
    words = described(report(NET), asked("day"), [sold("day", "2026-02-03", "5")], before)
    assert "compared with 2026-01-26 to 2026-02-01" in words
    assert "Before: 2026-02-02 0.00, 2026-02-03 3.00, 2026-02-04 0.00" in words
    named = Comparison(asked("branch", WEEK_BEFORE), [sold("branch", "QUAY", "2"), sold("branch", "MILL", "1")])
    rows = [sold("branch", "MILL", "5"), sold("branch", "QUAY", "6")]
    assert "Before: MILL 1.00, QUAY 2.00." in described(report(NET), asked("branch"), rows, named)


def test_of_many_groups_the_largest_are_drawn_and_the_others_counted():
    rows = [sold("product", f"SKU-{number:02}", str(number)) for number in range(30)]
    words = described(report(NET), asked("product"), rows)
    assert "6 smaller groups are not drawn." in words
    assert "SKU-06" in words
    assert "SKU-05" not in words


@pytest.mark.parametrize("kind", ["bars", "lines", "stacked"])
@pytest.mark.parametrize("by", ["branch", "day", "week"])
@pytest.mark.parametrize("compared", [False, True])
def test_every_shape_is_drawn_without_scripts_and_the_same_each_time(kind, by, compared):
    group = {"branch": "MILL", "day": "2026-02-03", "week": "2026-W06"}[by]
    rows = [sold(by, group, "12000", margin=Decimal("-300"))]
    before = Comparison(asked(by, WEEK_BEFORE), []) if compared else None
    given = report(NET, MARGIN, kind=kind), asked(by), rows, before
    drawn = chart_svg(*given)
    assert drawn == chart_svg(*given)
    tags = {element.tag for element in parsed(drawn).iter()}
    assert not tags & {f"{SVG}{name}" for name in ("script", "foreignObject", "image", "a", "animate")}
    assert not [name for element in parsed(drawn).iter() for name in element.attrib if name.startswith("on")]
    assert PALETTE[0].lower() in drawn.lower()


def test_names_are_texts_whatever_they_hold():
    name = '<script>alert("1")</script> $x^2$ ]]> & '
    root = parsed(chart_svg(report(NET), asked("product"), [sold("product", name, "1")]))
    assert f"{SVG}script" not in {element.tag for element in root.iter()}
    assert name in root.find(f"{SVG}desc").text


def test_the_picture_in_dots():
    given = report(NET), asked("branch"), [sold("branch", "MILL", "10")]
    content = chart_png(*given, dpi=72)
    picture = Image.open(io.BytesIO(content))
    assert (picture.format, picture.width) == ("PNG", 720)
    assert picture.text["Title"] == "Sales"
    assert content == chart_png(*given, dpi=72)
    inked = sum(count for count, colour in picture.convert("RGB").getcolors(1 << 20) if colour == (0x00, 0x72, 0xB2))
    assert inked > 2000, "the bar is drawn"


def test_without_rows_it_says_so():
    assert described(report(NET), asked("day"), []).endswith("There is nothing to show for this period.")
    assert axes_of(chart_svg(report(NET), asked("day"), [])) == 0


def test_a_report_without_a_chart_has_none():
    with pytest.raises(NoChart):
        chart_svg(report(NET, chart=False), asked("day"), [])


#: Colour blindness of severity 1 in linear RGB: Machado, Oliveira and Fernandes, "A physiologically-based
#: model for simulation of color vision deficiency", IEEE TVCG 15 (2009), table of matrices; from memory.
MACHADO = {
    "protanopia": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "deuteranopia": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
}


@pytest.mark.parametrize("kind", sorted(MACHADO))
def test_the_first_colours_are_told_apart_by_the_colour_blind(kind):
    """CIE 1976 colour difference; 20 is far above what is just seen, 2.3 (Mahy et al., 1994, from memory)."""
    seen = [lab(simulated(colour, MACHADO[kind])) for colour in PALETTE[:5]]
    for one, other in itertools.combinations(seen, 2):
        assert math.dist(one, other) > 20


def simulated(colour, matrix):
    linear = [_linear(int(colour[at : at + 2], 16) / 255) for at in (1, 3, 5)]
    return [min(1.0, max(0.0, sum(m * c for m, c in zip(line, linear, strict=True)))) for line in matrix]


def _linear(value):
    """IEC 61966-2-1."""
    return value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4


def lab(rgb):
    """CIE L*a*b* of linear sRGB, white point D65 (IEC 61966-2-1, CIE 15)."""
    to_xyz = ((0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505))
    x, y, z = (sum(m * c for m, c in zip(line, rgb, strict=True)) for line in to_xyz)
    fx, fy, fz = (_f(value / white) for value, white in ((x, 0.9505), (y, 1.0), (z, 1.089)))
    return 116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)


def _f(value):
    return value ** (1 / 3) if value > (6 / 29) ** 3 else value / (3 * (6 / 29) ** 2) + 4 / 29


@pytest.mark.django_db
def test_charts_and_workbooks_of_the_api(api, manager, clerk):
    """Of a report that there is; the rows may be none."""
    client = api(manager)
    asked = {"from": "2026-02-01", "to": "2026-02-28", "by": "branch", "compare": "previous"}
    for name, kind, begins in (
        ("chart.svg", "image/svg+xml", b"<?xml"),
        ("chart.png", "image/png", b"\x89PNG"),
        ("rows.xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", b"PK"),
    ):
        url = f"/api/v1/reports/stock-value/{name}/"
        response = client.get(url, asked)
        assert response.status_code == 200, response.content
        assert response["Content-Type"] == kind
        assert (b"".join(response) if response.streaming else response.content).startswith(begins)
        assert response["Cache-Control"] == "no-store"
        assert client.get(url, {**asked, "by": "none"}).json()["code"] == "reports.grouping_not_known"
        assert api(clerk).get(url, asked).status_code == 403
