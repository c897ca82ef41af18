"""The page in English and in Spanish: the same keys, the same gaps to fill, every key that is used."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import product
from pathlib import Path
from string import Formatter

import pytest

from judge_runs import a_run
from page_site import a_site
from sillwright.page.words import LANGUAGES, chosen_language, words_of
from sillwright.survey import CardRecord
from sillwright.tell.reasons import REASONS
from sillwright.tell.rows import VERDICT_WORDS, along_title
from sillwright.tell.wording import SAFETY

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
