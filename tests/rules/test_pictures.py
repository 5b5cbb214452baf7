"""Drawn pictures: what is said to be true of one is what its ink shows, and nobody can read it two ways."""

import json
import random
import re
from collections import Counter
from dataclasses import FrozenInstanceError, fields

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2

from assessments.rules.pictures import KINDS, UnfitParameters
from tests.rules.pictures_read_back import HEARERS, READERS, SVG, Drawing

# At 320 pixels wide, the pixels by which a truth holds. A finger's touch is blunter; an eye is not.
MARGINS = {"sight-gauge": 7, "tyre": 4, "nut-marker": 8, "beacon": 10, "raised-body": 7, "dial": 7}
SMALLEST_LETTERS_PX = 12

# Words that carry nothing, and the names of things that every description of a kind has to say.
SMALL_WORDS = {"the", "to", "in", "is", "it", "of", "and", "with", "than", "band"}
NAMED_IN_EVERY = {"beacon": {"roof", "belt"}}

every_kind = pytest.mark.parametrize("code", KINDS)
# One number decides a whole variant, as a sitting's seed does.
seeds = st.integers(0, 2**63 - 1)


def lot(seed):
    return random.Random(seed)  # noqa: S311 (pictures, not secrets)


def variant(code, seed, **fixed):
    return KINDS[code].vary(lot(seed), fixed)


def drawing(code, parameters):
    return Drawing(KINDS[code].draw(parameters))


def skeleton(words):
    """Words without their numbers, and rows of numbers as one."""
    return re.sub(r"#(, #)+", "#", re.sub(r"-?\d+(\.\d+)?", "#", words))


def test_there_is_a_reader_for_every_kind():
    assert set(READERS) == set(HEARERS) == set(KINDS) == set(MARGINS)


@pytest.mark.slow
@every_kind
@settings(max_examples=500, deadline=None)
@given(seed=seeds)
def test_what_is_said_to_be_true_is_what_the_ink_shows_and_by_a_visible_margin(code, seed):
    parameters = variant(code, seed)
    read = READERS[code](drawing(code, parameters))
    assert read.truth == KINDS[code].truth(parameters)
    assert read.margin >= MARGINS[code]


@pytest.mark.parametrize(
    ("code", "part", "changed"),
    [
        ("sight-gauge", "fluid", lambda svg: re.sub(r'("fluid" x="[\d.]+") y="[\d.]+"', r'\1 y="106"', svg)),
        (
            "dial",
            "needle",
            lambda svg: re.sub(r'("needle" points=)"[^"]+"', r'\1"320,83 316,83 320,300"', svg),
        ),
    ],
)
def test_the_reader_would_notice_ink_in_the_wrong_place(code, part, changed):
    fixed = {"glass": "tube"} if code == "sight-gauge" else {}
    kind = KINDS[code]
    parameters = next(
        one for seed in range(50) if kind.truth(one := variant(code, seed, **fixed)) in ("below", "low")
    )
    svg = kind.draw(parameters)
    assert READERS[code](Drawing(svg)).truth == kind.truth(parameters)
    assert READERS[code](Drawing(changed(svg))).truth != kind.truth(parameters)


@every_kind
@settings(max_examples=80, deadline=None)
@given(seed=seeds)
def test_a_picture_is_plain_svg_that_any_page_may_hold(code, seed):
    svg = KINDS[code].draw(variant(code, seed))
    drawn = Drawing(svg)
    assert drawn.root.tag == f"{SVG}svg"
    assert drawn.root.get("role") == "img"
    assert drawn.root[0].tag == f"{SVG}title"
    allowed = {
        f"{SVG}{name}" for name in ("svg", "title", "rect", "circle", "line", "polygon", "path", "text")
    }
    for element in drawn.root.iter():
        assert element.tag in allowed
        assert not {"style", "class", "id", "href"} & set(element.attrib)
        assert not [name for name in element.attrib if name.startswith("on") or "}" in name]
    assert "url(" not in svg


@every_kind
@settings(max_examples=80, deadline=None)
@given(seed=seeds)
def test_letters_are_legible_on_a_phone_and_nothing_but_its_paper_leaves_the_panel(code, seed):
    drawn = drawing(code, variant(code, seed))
    for words in drawn.root.iter(f"{SVG}text"):
        assert float(words.get("font-size")) / drawn.pixel >= SMALLEST_LETTERS_PX
    width = 320 * drawn.pixel
    for element in drawn.root.iter():
        points = [
            (float(element.get(x)), float(element.get(y)))
            for x, y in (("x", "y"), ("x1", "y1"), ("x2", "y2"), ("cx", "cy"))
            if element.get(x) and element.get(y)
        ]
        if element.get("points"):
            points += [tuple(map(float, pair.split(","))) for pair in element.get("points").split()]
        if element.get("r"):
            (x, y), r = points[0], float(element.get("r"))
            points += [(x - r, y - r), (x + r, y + r)]
        for x, y in points:
            assert 0 <= x <= width
            assert 0 <= y <= drawn.height


@every_kind
@settings(max_examples=80, deadline=None)
@given(seed=seeds)
def test_the_text_alternative_does_not_give_the_answer_away(code, seed):
    kind, parameters = KINDS[code], variant(code, seed)
    title = drawing(code, parameters).title
    (right,) = (choice for choice in kind.choices if choice.key == kind.truth(parameters))
    others = [choice.words for choice in kind.choices if choice != right]
    telling = words_of(right.words) - words_of(" ".join(others)) - NAMED_IN_EVERY.get(code, set())
    assert not telling & words_of(title)
    assert right.words.lower() not in title.lower()


def words_of(text):
    return set(re.findall(r"[a-z]{2,}", text.lower())) - SMALL_WORDS


@every_kind
@settings(max_examples=80, deadline=None)
@given(seed=seeds)
def test_whoever_hears_the_measures_can_work_out_what_is_true(code, seed):
    parameters = variant(code, seed)
    assert HEARERS[code](drawing(code, parameters).title) == KINDS[code].truth(parameters)


@every_kind
def test_the_same_words_describe_every_truth_and_only_the_measures_differ(code):
    """Nothing in how the measures are put tells one truth from another."""
    skeletons, titles = {}, {}
    for seed in range(300):
        parameters = variant(code, seed)
        truth, title = KINDS[code].truth(parameters), drawing(code, parameters).title
        skeletons.setdefault(truth, set()).add(skeleton(title))
        titles.setdefault(title, set()).add(truth)
    assert len({frozenset(each) for each in skeletons.values()}) == 1
    assert set(skeletons) == {choice.key for choice in KINDS[code].choices}
    assert all(len(truths) == 1 for truths in titles.values()), "one description, two truths"


@every_kind
def test_every_choice_comes_up_about_equally_often(code):
    """Pearson's chi-square against equal chances, at one in a thousand, over seeds that stay the same."""
    keys = [choice.key for choice in KINDS[code].choices]
    count = Counter(KINDS[code].truth(variant(code, seed)) for seed in range(1200))
    expected = 1200 / len(keys)
    statistic = sum((count[key] - expected) ** 2 / expected for key in keys)
    assert statistic < chi2.ppf(0.999, len(keys) - 1)


@every_kind
def test_variants_are_endless_and_the_same_seed_is_the_same_picture(code):
    kind = KINDS[code]
    drawn = [kind.draw(variant(code, seed)) for seed in range(200)]
    assert len(set(drawn)) > 190
    assert drawn[:20] == [kind.draw(variant(code, seed)) for seed in range(20)]


@every_kind
@settings(max_examples=50, deadline=None)
@given(seed=seeds, chosen=st.randoms(use_true_random=False))
def test_what_is_fixed_stays_fixed(code, seed, chosen):
    """Any part of a variant can be held, all of it too, and the rest still varies around it."""
    kind = KINDS[code]
    plain = kind.as_plain(variant(code, seed))
    fixed = {name: value for name, value in plain.items() if chosen.random() < 0.5}
    again = kind.as_plain(kind.vary(lot(seed + 1), fixed))
    assert {name: again[name] for name in fixed} == fixed
    assert kind.as_plain(kind.vary(lot(seed), plain)) == plain


@every_kind
@settings(max_examples=50, deadline=None)
@given(seed=seeds)
def test_parameters_survive_being_kept_as_json(code, seed):
    kind, parameters = KINDS[code], variant(code, seed)
    kept = json.loads(json.dumps(kind.as_plain(parameters)))
    assert kind.from_plain(kept) == parameters
    assert kind.draw(kind.from_plain(kept)) == kind.draw(parameters)
    with pytest.raises(FrozenInstanceError):
        setattr(parameters, fields(parameters)[0].name, 1)


def test_what_was_drawn_once_stays_readable_though_limits_are_narrower_since():
    kind = KINDS["sight-gauge"]
    kept = kind.as_plain(variant("sight-gauge", 1, glass="tube")) | {"level": 41, "lower": 40}
    with pytest.raises(UnfitParameters):
        kind.vary(lot(1), kept)
    assert kind.truth(kind.from_plain(kept)) == "between"
    assert drawing("sight-gauge", kind.from_plain(kept)).title


@every_kind
def test_parameters_that_are_unknown_missing_or_of_another_type_are_refused(code):
    kind = KINDS[code]
    plain = kind.as_plain(variant(code, 1))
    name = next(iter(plain))
    with pytest.raises(UnfitParameters, match="has no colour"):
        kind.vary(lot(1), {"colour": "red"})
    with pytest.raises(UnfitParameters, match=f"say also {name}"):
        kind.from_plain({key: value for key, value in plain.items() if key != name})
    for wrong in (None, 1.5, ["a"], {}):
        with pytest.raises(UnfitParameters, match=name):
            kind.from_plain(plain | {name: wrong})


@pytest.mark.parametrize(
    ("code", "fixed", "why"),
    [
        ("sight-gauge", {"level": 42, "lower": 40}, "two ways"),
        ("sight-gauge", {"glass": "square"}, "tube, round"),
        ("tyre", {"pressed_in": 25}, "two ways"),
        ("tyre", {"pressed_in": 45, "lump": 30}, "One thing at most"),
        ("tyre", {"cut_mm": 10, "rubber_mm": 11}, "3 mm"),
        ("nut-marker", {"turned": [3], "missing": 5}, "not both"),
        ("nut-marker", {"turn": 20}, "from 50 to 95"),
        ("nut-marker", {"nuts": 8, "missing": 9}, "from 0 to 8"),
        ("nut-marker", {"turned": [3, 3]}, "each once"),
        ("beacon", {"roof_light": 30}, "two ways"),
        ("raised-body", {"keep_m": 9}, "from 4 to 6"),
        ("dial", {"needle": 60, "low_end": 62}, "5 degrees"),
    ],
)
def test_a_picture_that_could_be_read_two_ways_is_refused_and_the_author_told_why(code, fixed, why):
    with pytest.raises(UnfitParameters, match=why):
        KINDS[code].vary(lot(1), fixed)


@pytest.mark.parametrize(
    ("code", "fixed", "left"),
    [
        ("sight-gauge", {"level": 10}, {"below"}),
        ("sight-gauge", {"level": 50}, {"below", "between", "above"}),
        ("tyre", {"cut_mm": 20}, {"cord"}),
        ("nut-marker", {"missing": 0}, {"line", "one", "two"}),
        ("nut-marker", {"nuts": 12, "turned": [12]}, {"one"}),
        ("beacon", {"roof_light": 100}, {"roof", "both"}),
        ("raised-body", {"line_cm": 1150}, {"near", "clear"}),
        ("dial", {"low_end": 80, "needle": 120}, {"normal"}),
    ],
)
def test_choices_that_what_is_fixed_leaves_possible_come_up_equally_often(code, fixed, left):
    count = Counter(KINDS[code].truth(variant(code, seed, **fixed)) for seed in range(100))
    assert set(count) == left
    # Four standard deviations of a binomial of 100.
    chance = 1 / len(left)
    assert all(abs(n - 100 * chance) <= 4 * (100 * chance * (1 - chance)) ** 0.5 for n in count.values())


@every_kind
def test_the_sentence_for_the_review_tells_truths_apart(code):
    kind = KINDS[code]
    said = {}
    for seed in range(200):
        parameters = variant(code, seed)
        said.setdefault(kind.truth(parameters), set()).add(skeleton(kind.says(parameters)))
    together = [words for each in said.values() for words in each]
    assert len(together) == len(set(together))
    assert all(words.endswith(".") for words in together)


@every_kind
def test_choices_and_names_are_ready_for_a_page(code):
    kind = KINDS[code]
    assert kind.code == code
    assert kind.ask.endswith("?")
    assert 3 <= len(kind.choices) <= 5
    assert len({choice.key for choice in kind.choices}) == len({choice.words for choice in kind.choices})
