"""Reason codes in words."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sillwright.survey import Finding
from sillwright.tell.reasons import REASONS, Reason, explain, length_text, reason_for, title

CODES = {
    "photo": "no-cards few-corners no-chalk-line blurred too-dark too-bright too-coarse unreadable not-joined poor-fit "
    "other-run duplicate lens-unknown zoomed mirrored lens-mismatch turned-unsure",
    "run": "not-joined no-chalk-line two-chalk-lines scale-unverified scale-not-taped scale-wrong scale-conflict "
    "no-bolts two-walls bolt-size plate-overhangs lens-unknown no-cards not-settled misfit ribbed cards-raised "
    "photos-poor lies-flat cards-low no-plane height-unverified stands-unmeasured",
    "card": "card-tilted card-curled card-moved card-duplicate",
    "bolt": "one-view stated-stickup wide-interval near-edge-of-photo base-hidden bent has-nut diameter-off "
    "weak-evidence views-disagree off-wall",
    "corner": "no-crossing corner-poor",
}


def test_every_code_of_every_subject_is_in_the_table() -> None:
    have = {(reason.subject, reason.code) for reason in REASONS}
    assert {(subject, code) for subject, codes in CODES.items() for code in codes.split()} <= have
    assert len(have) == len(REASONS)


@pytest.mark.parametrize("reason", REASONS, ids=lambda r: f"{r.subject}-{r.code}")
@pytest.mark.parametrize(
    "names",
    [{}, {"photos": ("n/3.jpg",), "cards": (2,)}, {"photos": ("a", "b"), "cards": (1, 2, 3), "value_mm": -1.6}],
    ids=["nothing named", "one named", "several named"],
)
def test_each_sentence_is_whole_and_says_what_to_do(reason: Reason, names: dict[str, tuple[str, ...]]) -> None:
    sentence = explain(Finding(reason.code, **names), reason.subject)  # type: ignore[arg-type]
    assert not set("{}|?") & set(sentence)
    assert sentence[0].isupper()
    assert sentence.endswith(".")
    assert sentence.count(": ") == 1
    assert "  " not in sentence
    assert " ." not in sentence


def test_a_gap_between_photos_names_both_and_what_to_shoot() -> None:
    finding = Finding("not-joined", photos=("photo4", "photo3"))
    assert explain(finding) == (
        "Photo photo4 shares no card with photo photo3: shoot one more between them, with a card of each in view."
    )


def test_one_and_several_are_told_in_grammar() -> None:
    assert explain(Finding("card-tilted", cards=(3,))).startswith("Card 3 is tilted")
    assert explain(Finding("card-tilted", cards=(3, 4))).startswith("Cards 3 and 4 are tilted")


def test_a_scale_conflict_names_the_tape_and_what_to_tape_again() -> None:
    told = explain(Finding("scale-conflict", cards=(1, 5), value_mm=-6.35), "run")
    assert told.startswith("What was taped between cards 1 and 5 does not agree")
    assert '1/4"' in told
    assert "tape it again" in told


def test_a_code_has_its_words_for_its_subject() -> None:
    assert "this photo" in explain(Finding("no-chalk-line"), "photo")
    assert "any photo of this run" in explain(Finding("no-chalk-line"), "run")


def test_an_unknown_code_is_told_as_it_is() -> None:
    assert explain(Finding("made-up-code")) == "made-up-code: see the manual."
    assert title(Finding("made-up-code")) == "made-up-code"
    assert reason_for("made-up-code") is None


@given(st.text(min_size=1, max_size=20))
def test_a_photo_named_like_a_placeholder_stays_as_it_is(name: str) -> None:
    hostile = "{cards|" + name + "}{0}"
    assert hostile in explain(Finding("blurred", photos=(hostile,)))


def test_many_photos_are_counted_not_listed() -> None:
    sentence = explain(Finding("blurred", photos=tuple(f"{n}.jpg" for n in range(9))))
    assert "0.jpg, 1.jpg, 2.jpg, 3.jpg and 5 more" in sentence


@pytest.mark.parametrize(
    ("mm", "text"), [(0.3, "0.3 mm"), (1.6, '1.6 mm or about 1/16"'), (-25.4, '25.4 mm or about 1"')]
)
def test_a_length_is_told_with_an_inch_only_where_it_fills_one_mark(mm: float, text: str) -> None:
    assert length_text(mm) == text


@pytest.mark.parametrize("code", ["struck-by-hand", "lies-flat", "ribbed", "stands-unmeasured"])
def test_a_place_before_the_zero_mark_is_told_as_back_from_it(code: str) -> None:
    assert '254.0 mm or about 10" along' in explain(Finding(code, value_mm=254.0), "run")
    assert '254.0 mm or about 10" back from the zero mark' in explain(Finding(code, value_mm=-254.0), "run")
