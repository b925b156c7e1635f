"""What is printed, read back by two general-purpose libraries: `pypdf` (text) and `pypdfium2` (places on the page)."""

from __future__ import annotations

import hashlib
import io
import os
import pickle
import re
import subprocess
import sys
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pypdfium2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from opticshop_letter_batch import LetterBatch, cover, plugin
from opticshop_letter_batch.windows import WINDOWS
from pypdf import PdfReader

from opticshop.plugin_api import OutboundMessage, Refusal

CHANNEL = LetterBatch()
MM = 72 / 25.4
LETTERS: dict[str, Any] = {"form": "letter"}
CARDS: dict[str, Any] = {"form": "postcard"}
SECRET_WORDS = "Your prescription with -4.25 D for glaucoma"


def message(number: int = 1, **change: Any) -> OutboundMessage:
    plain = OutboundMessage(
        id=f"01890a5d-ac96-774b-bcce-{number:012}",
        to="12 Mill Lane\nMillford\nMF1 2AB",
        recipient_name=f"Wren Alder-{number}",
        subject="It is time",
        body=f"Dear Wren Alder-{number},\n\nplease come by.",
        language="en",
        purpose="service",
        branch_name="North (invented)",
        branch_address="1 North Street\nMillford\nMF1 1AA",
        branch_phone="+44 20 7946 0018",
        form="letter",
    )
    return replace(plain, **change)


def card(number: int = 1, **change: Any) -> OutboundMessage:
    return message(number, **{"form": "postcard", "subject": SECRET_WORDS, **change})


def texts(document: bytes) -> list[str]:
    return [page.extract_text() for page in PdfReader(io.BytesIO(document)).pages]


def squeezed(text: str) -> str:
    return "".join(text.split())


def places(document: bytes, page: int) -> list[tuple[float, float, float, float]]:
    """Left, top, right and bottom of each piece of text in mm from the top left corner."""
    sheet = pypdfium2.PdfDocument(document)[page]
    height = sheet.get_height()
    found = []
    for thing in sheet.get_objects(filter=[1]):  # 1: text
        left, bottom, right, top = thing.get_bounds()
        found.append((left / MM, (height - top) / MM, right / MM, (height - bottom) / MM))
    return found


def test_every_letter_is_there_once_with_its_own_address_and_text() -> None:
    document = CHANNEL.compose([message(n) for n in range(1, 31)], LETTERS)
    pages = texts(document)
    assert len(pages) == 31
    for number, page in enumerate(pages[1:], start=1):
        for part in (f"Wren Alder-{number}\n", f"Dear Wren Alder-{number},", "12 Mill Lane", message(number).id):
            assert page.count(part) == 1, part
        assert [n for n in range(1, 31) if f"Wren Alder-{n}\n" in page] == [number]
        assert "1/" not in page.replace("01890", "")
    assert PdfReader(io.BytesIO(document)).pages[0].mediabox.upper_right == (
        pytest.approx(210 * MM, abs=0.01),
        pytest.approx(297 * MM, abs=0.01),
    )  # ISO 216: A4


def test_the_cover_counts_and_names_ids_and_says_nothing_else() -> None:
    long = message(2, body="word " * 900, purpose="marketing", branch_name="South (invented)")
    sheet, *rest = texts(CHANNEL.compose([message(1), long, message(3)], LETTERS))
    assert "Batch of letters: 3" in sheet
    lines = [line.strip() for line in sheet.splitlines()]
    pairs = dict(pairwise(lines))
    got = {word: pairs[word] for word in ("letters", "on more than one page", "pages", "service", "marketing")}
    assert got == {
        "letters": "3",
        "on more than one page": "1",
        "pages": str(len(rest)),
        "service": "2",
        "marketing": "1",
    }
    for number in (1, 2, 3):
        assert sheet.count(message(number).id) == 1
    for word in ("Wren", "Mill Lane", "time", "come by"):
        assert word not in sheet


@pytest.mark.parametrize("both_sides", [False, True])
def test_the_cover_says_on_which_page_of_the_file_each_message_begins(both_sides: bool) -> None:
    batch = [message(n, body="word " * (900 if n % 50 == 0 else 5)) for n in range(1, 201)]
    document = pypdfium2.PdfDocument(CHANNEL.compose(batch, {**LETTERS, "double_sided": both_sides}))
    pages = [page.get_textpage().get_text_bounded() for page in document]
    covers = pages[: cover.count(200, cover.A4)]
    listed = [found for page in covers for found in re.findall(r"(?m)^(\d+) ([0-9a-f-]{36})", page)]
    assert [one_id for _, one_id in listed] == [one.id for one in batch]
    for (number, _), one in zip(listed, batch, strict=True):
        page = pages[int(number) - 1]
        assert f"{one.recipient_name}\r" in page
        assert one.id in page


def test_printed_on_both_sides_every_letter_begins_on_a_sheet_of_its_own() -> None:
    batch = [message(1), message(2, body="word " * 900), message(3)]
    pages = texts(CHANNEL.compose(batch, {**LETTERS, "double_sided": True}))
    begins = [number for number, page in enumerate(pages) if "12 Mill Lane" in page]
    assert begins == [2, 4, 6]
    assert pages[1] == pages[3] == ""
    assert "1/2" in pages[4]
    assert "2/2" in pages[5]


def test_a_long_letter_has_numbered_pages_and_loses_no_word() -> None:
    words = [f"word{n}" for n in range(1500)]
    _, *pages = texts(CHANNEL.compose([message(body=" ".join(words))], LETTERS))
    assert len(pages) >= 3
    assert [f"{n}/{len(pages)}" in page for n, page in enumerate(pages, start=1)] == [True] * len(pages)
    assert [word for page in pages for word in page.split() if word.startswith("word")] == words


def test_letters_beyond_latin_are_printed_and_embedded() -> None:
    name, town = "Żaneta Łukaszewicz-Großmüller", "Οδός Αγίου Κωνσταντίνου 5\n010 01 Čachtice"
    body = "Zażółć gęślą jaźń, größere Füße, καλημέρα, доброе утро; a face \U0001f453 is not printed."
    document = CHANNEL.compose([message(recipient_name=name, to=town, body=body)], LETTERS)
    page = texts(document)[1]
    for part in (name, *town.split("\n"), "Zażółć gęślą jaźń, größere Füße, καλημέρα, доброе утро; a face ?"):
        assert part in page
    fonts = PdfReader(io.BytesIO(document)).pages[1]["/Resources"]["/Font"]  # type: ignore[index]
    descriptors = [font.get_object().get("/FontDescriptor") for font in fonts.values()]
    assert any(one is not None and "/FontFile2" in one.get_object() for one in descriptors)


# ISO 269: a DL envelope is 220 x 110 mm. The windows are from memory: DIN 680 (45 x 90 mm, 20 from the left, 15 from
# the bottom), common British stock (35 x 90 mm, 20 from the left, 18 from the bottom). Left, top, right, bottom in mm.
ENVELOPES = {"din-5008-b": (20, 50, 110, 95), "uk-dl": (20, 57, 110, 92)}


@pytest.mark.parametrize("window", list(WINDOWS))
@pytest.mark.parametrize("lines", [1, 4, 7])
def test_the_address_shows_in_the_window_wherever_the_letter_slides(window: str, lines: int) -> None:
    to = "\n".join(f"A line of the address {n}" for n in range(lines))
    document = CHANNEL.compose([message(to=to)], {**LETTERS, "window": window})
    shown = WINDOWS[window].visible
    address = [box for box in places(document, 1) if box[1] > shown[1] and box[3] < 97 and box[0] < 100]
    assert len(address) >= lines + 1
    left, top, right, bottom = ENVELOPES[window]
    panel = WINDOWS[window].folds[0]
    for slide_x in (0.0, 10.0):
        for slide_y in (0.0, 110 - panel):
            # The panel lies `slide_y` above the bottom of the envelope, so its top edge is at 110 - panel - slide_y.
            down = 110 - panel - slide_y
            for box in address:
                assert left <= box[0] + slide_x
                assert box[2] + slide_x <= right
                assert top <= box[1] + down
                assert box[3] + down <= bottom


def test_nothing_else_shows_in_the_window() -> None:
    document = CHANNEL.compose([message(subject="Health " * 5)], LETTERS)
    others = [box for box in places(document, 1) if box[1] > 95 or box[3] < 45 or box[0] > 110]
    address = [box for box in places(document, 1) if box not in others]
    assert len(address) == 5  # return line, name, three lines
    assert len(others) == len(places(document, 1)) - 5


def test_a_postcard_has_its_address_on_one_side_and_only_the_neutral_text_on_the_other() -> None:
    pages = texts(CHANNEL.compose([card(n) for n in range(1, 6)], CARDS))
    assert len(pages) == 2 + 2 * 5
    for number in range(1, 6):
        front, back = pages[2 * number], pages[2 * number + 1]
        assert f"Wren Alder-{number}\n" in front
        assert card(number).id in front
        assert "come by" not in front
        assert f"Dear Wren Alder-{number}," in back
        assert "12 Mill Lane" not in back
    assert "glaucoma" not in "".join(pages)
    width, height = PdfReader(io.BytesIO(CHANNEL.compose([card()], CARDS))).pages[0].mediabox.upper_right
    assert (round(float(width) / MM), round(float(height) / MM)) == (148, 105)  # ISO 216: A6


def test_a_text_that_was_not_written_for_a_postcard_is_never_printed_on_one() -> None:
    with pytest.raises(Refusal) as caught:
        CHANNEL.compose([card(1), message(2, body=SECRET_WORDS)], CARDS)
    assert (caught.value.code, caught.value.field) == ("opticshop-letter-batch.not-neutral", message(2).id)
    assert "glaucoma" not in caught.value.message


@pytest.mark.parametrize(
    ("change", "own", "code"),
    [
        ({"to": ""}, LETTERS, "no-address"),
        ({"to": " \n "}, LETTERS, "no-address"),
        ({"to": "Wren Alder-2"}, LETTERS, "no-address"),
        ({"body": "\n \n"}, LETTERS, "no-text"),
        ({"to": "\n".join(f"line {n}" for n in range(20))}, LETTERS, "address-too-long"),
        ({"to": "北京市\nChina"}, LETTERS, "letters"),
        ({"recipient_name": "שרה"}, LETTERS, "letters"),
        ({"id": message(1).id}, LETTERS, "twice"),
        ({"form": "postcard", "body": "word " * 400}, CARDS, "text-too-long"),
        ({"form": "postcard", "to": "\n".join(f"line {n}" for n in range(20))}, CARDS, "address-too-long"),
    ],
)
def test_what_cannot_be_printed_is_refused_with_its_id(change: dict[str, Any], own: dict[str, Any], code: str) -> None:
    first = card(1) if own is CARDS else message(1)
    with pytest.raises(Refusal) as caught:
        CHANNEL.compose([first, message(2, **change)], own)
    assert caught.value.code == f"opticshop-letter-batch.{code}"
    assert caught.value.field == change.get("id", message(2).id)


def test_nothing_to_print_is_refused() -> None:
    with pytest.raises(Refusal):
        CHANNEL.compose([], LETTERS)


def test_a_name_that_is_in_the_address_already_is_printed_once() -> None:
    page = texts(CHANNEL.compose([message(to="Wren  Alder-1 \n12 Mill Lane", body="Hello.")], LETTERS))[1]
    assert page.count("Wren Alder-1") == 1


def test_the_same_batch_has_the_same_bytes_in_every_process() -> None:
    batch = [message(n, body="Zażółć " * n) for n in range(1, 6)]
    document = CHANNEL.compose(batch, LETTERS)
    assert CHANNEL.compose(list(batch), LETTERS) == document
    assert CHANNEL.compose(batch[::-1], LETTERS) != document
    script = (
        "import hashlib, pickle, sys; from opticshop_letter_batch import LetterBatch;"
        "batch = pickle.load(sys.stdin.buffer);"
        "print(hashlib.sha256(LetterBatch().compose(batch, {'form': 'letter'})).hexdigest())"
    )
    other = subprocess.run(
        [sys.executable, "-c", script],
        input=pickle.dumps(batch),
        capture_output=True,
        check=True,
        env={**os.environ, "PYTHONHASHSEED": "7", "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    assert other.stdout.decode().strip() == hashlib.sha256(document).hexdigest()


@settings(max_examples=25, deadline=None)
@given(
    name=st.text(max_size=90),
    to=st.text(alphabet=st.characters(max_codepoint=0x24F), max_size=254),
    body=st.text(max_size=600),
    form=st.sampled_from(["letter", "postcard"]),
    window=st.sampled_from(list(WINDOWS)),
)
def test_any_message_is_printed_or_refused_with_a_reason(name: str, to: str, body: str, form: Any, window: str) -> None:
    one = message(recipient_name=name, to=to, body=body, form=form)
    try:
        document = CHANNEL.compose([one], {"form": form, "window": window})
    except Refusal as refusal:
        refused = refusal.field
    else:
        refused = ""
        _stays_on_the_paper(document)
    assert refused in ("", one.id)


def _stays_on_the_paper(document: bytes) -> None:
    assert len(PdfReader(io.BytesIO(document)).pages) >= 2
    for page in range(1, len(pypdfium2.PdfDocument(document))):
        sheet = pypdfium2.PdfDocument(document)[page]
        for left, top, right, bottom in places(document, page):
            assert left >= 0
            assert top >= 0
            assert right <= sheet.get_width() / MM + 0.1
            assert bottom <= sheet.get_height() / MM


def test_a_single_message_is_not_sent_but_waits_for_its_batch() -> None:
    assert CHANNEL.send(message(), LETTERS).state == "retry"
    assert (CHANNEL.form(LETTERS), CHANNEL.form(CARDS), CHANNEL.form({})) == ("letter", "postcard", "letter")
    assert plugin.manifest.settings_with({})["window"] in WINDOWS
