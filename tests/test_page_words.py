"""The page in English and in Spanish: the same keys, the same gaps to fill, every key that is used."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import product
from pathlib import Path
from string import Formatter
from typing import get_args

import pytest

from judge_runs import a_bolt, a_run
from page_site import a_site
from sillwright.archive.compare import Lean, Pair, Place
from sillwright.errors import LengthError
from sillwright.lengths import parse_length_mm
from sillwright.page.words import LANGUAGES, chosen_language, words_of
from sillwright.survey import CardRecord, CornerRecord, Finding, Survey
from sillwright.tell.compare_words import ONLY_FIRST, ONLY_SECOND, what
from sillwright.tell.plan import plan_key
from sillwright.tell.reasons import REASONS, explain
from sillwright.tell.rows import VERDICT_WORDS, along_title, lean_rows, zero_words
from sillwright.tell.wording import SAFETY, STRAIGHTENING, corner_line, run_facts, scale_statement

PAGE = Path(__file__).resolve().parents[1] / "src" / "sillwright" / "page"
ENGLISH = words_of("en")


def gaps(text: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(text) if name}


@pytest.mark.parametrize("language", LANGUAGES)
def test_languages_have_the_same_keys_and_gaps(language) -> None:
    words = words_of(language)
    assert set(words.texts) == set(ENGLISH.texts)
    for key, text in words.texts.items():
        assert text.strip(), key
        assert gaps(text) == gaps(ENGLISH.texts[key]), key


def test_every_key_a_page_uses_is_there_and_none_is_left_over() -> None:
    used: set[str] = set()
    kept = "".join(path.read_text() for path in [*PAGE.glob("templates/*.html"), *PAGE.glob("*.py")])
    used |= set(re.findall(r"""["']([a-z]+\.[a-z_0-9]+)["']""", kept)) & {*ENGLISH.texts}
    for key in re.findall(r"say\('([a-z_.0-9]+)'", kept):
        if not key.endswith("."):
            assert key in ENGLISH.texts
    refusals = set(re.findall(r'Refusal\(\d+, "(\w+)"', kept))
    refusals |= set(re.findall(r'Refusal\(\d+, "(\w+)" if fault else "(\w+)"', kept)[0])
    assert {f"refusal.{key}" for key in refusals} <= set(ENGLISH.texts)
    made = {f"refusal.{key}" for key in refusals} | {
        f"{table}.{s}" for table in ("bolt", "status", "aloud") for s in ("ok", "check", "reshoot", "none")
    }
    made |= {key for key in ENGLISH.texts if re.fullmatch(r"aloud\.(one_)?of_\d+", key)}
    assert set(ENGLISH.texts) - used - made == set()


def test_every_way_a_tip_can_go_is_said_in_spanish() -> None:
    spanish = words_of("es")
    across = ("toward the chalk line", "away from the chalk line")
    along = ("toward higher stations", "toward lower stations")
    for first, second in [*product(across, along), *product(along, across)]:
        for joint in (" and ", " and a little "):
            said = spanish.phrase(f"{first}{joint}{second}")
            assert not re.search(r"\b(toward|away|and|stations|chalk)\b", said)


def test_every_title_of_a_reason_and_every_word_of_safety_is_in_spanish() -> None:
    known = words_of("es").phrases
    verdicts = set(VERDICT_WORDS.values()) | {"RE-SHOOT", "not measured"}
    assert {reason.title for reason in REASONS} | set(SAFETY) | verdicts <= set(known)


FINDINGS = [
    {},
    {"photos": ("north/IMG_7.jpg",), "cards": (3,), "value_mm": 1.6},
    {"photos": ("IMG_7.jpg", "b.jpg", "c.jpg"), "cards": (1, 2), "value_mm": -1200.0},
    {"photos": tuple(f"p{count}.jpg" for count in range(7)), "cards": tuple(range(1, 8)), "value_mm": 0.3},
]
ENGLISH_WORDS = re.compile(
    r"\b(the|and|photos?|cards?|shoot|this|with|of|is|are|bolts?|more|along|back|about|or)\b", re.I
)


def in_spanish(english: str) -> str:
    """What is said in Spanish, with nothing left in English but the names of keys and files."""
    spanish = words_of("es")
    said = spanish.phrase(english)
    assert said != english, english
    assert spanish.knows(english)
    assert not ENGLISH_WORDS.search(re.sub(r"\[cards\]|check_length", "", said)), said
    return said


@pytest.mark.parametrize("reason", REASONS, ids=lambda one: f"{one.subject}-{one.code}")
@pytest.mark.parametrize("named", FINDINGS, ids=["nothing", "one", "several", "many"])
def test_every_reason_and_what_to_do_about_it_is_said_in_spanish_with_its_values(reason, named) -> None:
    finding = Finding(reason.code, **named)
    english = explain(finding, reason.subject)
    said = in_spanish(english)
    for value in re.findall(r"IMG_7\.jpg|p3\.jpg|1200\.0 mm|1\.6 mm|0\.3 mm|\b3 more", english):
        assert value.removesuffix(" more") in said
    for line in (f"Run north. {english}", f"Bolt N1 on north. {english}", f"Corner of a and b. {english}"):
        assert in_spanish(line).endswith(said)


@pytest.mark.parametrize(
    "name",
    ["a and b.jpg", "photos of it.jpg", "x: y. z.jpg", "{photos}.jpg", "(out by 3 mm).jpg", "\\1.jpg", "3 more.jpg"],
)
def test_names_of_photos_stay_as_they_are_whatever_is_in_them(name) -> None:
    for photos, reason in product(((name,), ("IMG_7.jpg", name), (name, "IMG_7.jpg"), (name,) * 7), REASONS):
        english = explain(Finding(reason.code, photos=photos), reason.subject)
        assert words_of("es").phrase(english).count(name) == english.count(name)


def test_facts_of_a_run_are_said_in_spanish() -> None:
    cards = (CardRecord(1, 0.0, 30.0, 0.0), CardRecord(4, 2000.0, 30.0, 0.0))
    run = replace(a_run((a_bolt("N1", 3000.0, u95_mm=1.0),)), cards=cards)
    survey = Survey("Lot", (run,), (), ())
    for color, marks in product((None, "blue", "red", "orange", "yellow"), ("outside", "inside")):
        for line in run_facts(survey, replace(run, line_color=color, line_marks=marks)):
            in_spanish(line)
    for scale, ratio in product(("check length", "tape", "bolts", "print"), (0.0, 0.0003, 0.01)):
        in_spanish(scale_statement(replace(run, scale_from=scale, scale_u95_ratio=ratio)))
    for cards in ((), run.cards[:1], run.cards):
        in_spanish(zero_words(replace(run, cards=cards)))
        in_spanish(plan_key(replace(run, cards=cards)))
    in_spanish(STRAIGHTENING)
    for angle, status in product((97.0, None), ("ok", "check", "reshoot")):
        for u95_deg in (0.1, None):
            in_spanish(corner_line(CornerRecord(("a", "b"), angle, u95_deg, {}, status, ())))


def test_both_hands_and_why_a_bolt_is_to_straighten_are_said_in_spanish() -> None:
    in_spanish("Facing the way stations rise, the plate lies to the right of the line.")
    in_spanish("Facing the way stations rise, the plate lies to the left of the line.")
    for lean_deg, u95_deg in ((4.0, 0.1), (2.9, 0.5), (20.0, 0.1), (4.0, None)):
        bolt = a_bolt("N1", 100.0, u95_mm=0.5, lean_mm=(4.0, 4.0))
        bolt = replace(bolt, lean_deg=lean_deg, u95=replace(bolt.u95, lean_deg=u95_deg))
        (row,) = lean_rows(Survey("Lot", (a_run((bolt,)),), (), ()), a_run((bolt,)))
        for why in row.why:
            in_spanish(why)


@pytest.mark.parametrize(
    "text",
    ["5 1/2", "7' 3", "1,5 in", "elephant", "x" * 100, "1/0 in", "1 5/4 in", "1.5 ft 3 in", "3 ft 14 in", "-1 in", ""],
)
def test_what_is_wrong_with_a_length_is_said_in_spanish(text) -> None:
    with pytest.raises(LengthError) as fault:
        parse_length_mm(text)
    in_spanish(str(fault.value))


def test_what_a_comparison_says_of_a_bolt_is_in_spanish() -> None:
    bolt, edge = a_bolt("N1"), {"station": None, "setback": None, "lean_along": None, "lean_across": None}
    for place, lean in product(get_args(Place), get_args(Lean)):
        in_spanish(what(Pair(bolt, bolt, **edge, place=place, lean=lean, doubtful=False)))
    assert (
        in_spanish("place: cannot tell, lean: cannot tell")
        == "lugar: no se puede saber, inclinación: no se puede saber"
    )
    for text in (ONLY_FIRST, ONLY_SECOND, "at 5' 3\" back", "5' 3 1/2\" back", '1/4" beyond the line'):
        in_spanish(text)


def test_a_sentence_that_is_not_known_stays_english_and_is_marked() -> None:
    spanish = words_of("es")
    hostile = (": " * 740, "Run a. " * 200, "Bolt " + " on . " * 200, "photos " + " and " * 250, "a is b: " * 180)
    for english in ("The wall fell over.", "Run north. The wall fell over.", "x" * 5000, "", *hostile):
        assert spanish.phrase(english) == english
        assert not spanish.knows(english)


@pytest.mark.parametrize("cards", [(), (4, 7)])
def test_the_heading_over_stations_is_the_sheets(cards) -> None:
    run = replace(a_run(()), cards=tuple(CardRecord(number, 0.0, 0.0, 0.0) for number in cards))
    said = ENGLISH("results.along_card", number=cards[0]) if cards else ENGLISH("results.along")
    assert said == along_title(run)


def test_what_is_not_translated_is_marked_as_english(tmp_path) -> None:
    phone = a_site(tmp_path).joined()
    text = phone.client.get("/jobs/lot", headers={"accept-language": "es-MX,es;q=0.9,en;q=0.8"}).text
    assert '<html lang="es">' in text
    assert "Tramos" in text
    (tmp_path / "lot" / "job.toml").write_text("name = 5")
    text = phone.client.get("/jobs/lot", headers={"accept-language": "es"}).text
    assert re.search(r'<ul lang="en">.*there is no run', text)


@pytest.mark.parametrize(
    ("picked", "accepts", "chosen"),
    [
        (None, "", "en"),
        (None, "es", "es"),
        (None, "fr, es-MX;q=0.5, en;q=0.4", "es"),
        (None, "en;q=0.1, es;q=0.9", "es"),
        (None, "es;q=0, en", "en"),
        (None, ";;,=q,es;q=x", "en"),
        ("en", "es", "en"),
        ("es", "en", "es"),
        ("xx", "es", "es"),
    ],
)
def test_the_language_is_the_one_picked_else_the_browsers(picked, accepts, chosen) -> None:
    assert chosen_language(picked, accepts) == chosen


def test_a_language_that_was_picked_stays(tmp_path) -> None:
    phone = a_site(tmp_path).joined()
    phone.client.post("/join/language", data={"language": "es", "here": "/"})
    assert "Obras" in phone.client.get("/", headers={"accept-language": "en"}).text
