import dataclasses
from itertools import count

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.circuit.notation import format_element, parse_element
from rig.circuit.parts import Element, Group, Part

VALUES = st.floats(0, 1e15, allow_nan=False, allow_infinity=False, allow_subnormal=False)


@st.composite
def parts(draw: st.DrawFn, index: int) -> Part:
    kind = draw(st.sampled_from("RLC"))
    rating = draw(st.just(np.inf) | st.floats(1e-3, 1e6))
    return Part(f"{kind}{index}x", kind, draw(VALUES), draw(VALUES), draw(st.floats(0, 0.99)), rating=rating)


@st.composite
def elements(draw: st.DrawFn) -> Element:
    numbers = count()

    def group(depth: int) -> Group:
        return tuple(
            tuple(
                group(depth + 1) if depth < 3 and draw(st.integers(0, 4)) == 0 else draw(parts(next(numbers)))
                for _ in range(draw(st.integers(1, 3)))
            )
            for _ in range(draw(st.integers(1, 3)))
        )

    return Element(draw(st.sampled_from(["series", "shunt"])), group(0))


@given(elements())
def test_what_is_written_reads_back_as_the_same_element(element: Element) -> None:
    assert parse_element(format_element(element)) == element


@pytest.mark.parametrize(
    ("text", "element"),
    [
        ("series L1 0.82 mH (0.35 ohm)", Element("series", ((Part("L1", "L", 0.82e-3, 0.35),),))),
        ("shunt C1 20 uF", Element("shunt", ((Part("C1", "C", 20e-6),),))),
        (
            "shunt R2 6.8 ohm + C3 10 uF",
            Element("shunt", ((Part("R2", "R", 6.8), Part("C3", "C", 10e-6)),)),
        ),
        (
            "series L1 0.2 mH | R1 5.6 ohm",
            Element("series", ((Part("L1", "L", 0.2e-3),), (Part("R1", "R", 5.6),))),
        ),
        ("series C1 4.7 µF +- 10 %", Element("series", ((Part("C1", "C", 4.7e-6, tolerance=0.1),),))),
        ("shunt C7 330nF(20 mohm) ± 2%", Element("shunt", ((Part("C7", "C", 330e-9, 0.02, 0.02),),))),
        (
            "series R1 10 ohm | C1 8.2 uF + (L1 0.5 mH (0.2 ohm) | R2 4.7 ohm)",
            Element(
                "series",
                (
                    (Part("R1", "R", 10.0),),
                    (Part("C1", "C", 8.2e-6), ((Part("L1", "L", 0.5e-3, 0.2),), (Part("R2", "R", 4.7),))),
                ),
            ),
        ),
        ("series R2 6.2 ohm 10 W", Element("series", ((Part("R2", "R", 6.2, rating=10.0),),))),
        (
            "series C1 4.7 uF +- 10 % 100 V | L1 1 mH (0.3 ohm) 4 A",
            Element(
                "series",
                ((Part("C1", "C", 4.7e-6, tolerance=0.1, rating=100.0),), (Part("L1", "L", 1e-3, 0.3, rating=4.0),)),
            ),
        ),
        ("series R1 1e-3 kohm", Element("series", ((Part("R1", "R", 1.0),),))),
    ],
)
def test_notation_means(text: str, element: Element) -> None:
    assert parse_element(text) == element


@pytest.mark.parametrize(
    ("text", "word", "allowed"),
    [
        ("", "found the end", "'series' or 'shunt'"),
        ("parallel L1 1 mH", "found 'parallel'", "'series' or 'shunt'"),
        ("series X1 1 mH", "found 'X1'", "starts with R, L or C"),
        ("series L1", "found the end", "a number"),
        ("series L1 -1 mH", "found '-1'", "a number from 0"),
        ("series L1 1 uF", "found 'uF'", "H, mH, uH"),
        ("series C1 1 ohm", "found 'ohm'", "F, mF, uF, nF, pF"),
        ("series L1 1 mH (1 uF)", "found 'uF'", "ohm"),
        ("series L1 1 mH (1 ohm", "found the end", "')'"),
        ("series L1 1 mH +- 100 %", "found '100'", "below 100"),
        ("series L1 1 mH R2 1 ohm", "found 'R2'", "the end"),
        ("series L1 1 mH |", "found the end", "starts with R, L or C"),
        ("series R1 1 ohm | (L1 1 mH | C1 1 uF", "found the end", "')'"),
        ("series (R1 1 ohm))", "found ')'", "the end"),
        ("series ()", "found ')'", "a group in ( )"),
        ("series " + "(" * 9 + "R1 1 ohm" + ")" * 9, "found '('", "no more than 8 groups within each other"),
    ],
)
def test_refusal_shows_the_text_the_place_what_is_allowed_and_an_example(text: str, word: str, allowed: str) -> None:
    with pytest.raises(ValueError, match="network element") as refusal:
        parse_element(text)
    first, shown, mark, example = str(refusal.value).splitlines()
    assert word in first
    assert allowed in first
    assert shown == f"    {text}"
    # The mark stands below the first sign of what was found.
    at = mark.index("^") - 4
    assert at == len(text) if word == "found the end" else text[at:].startswith(word.split("'")[1])
    assert parse_element(example.split(": ")[1]).place == ("shunt" if text.startswith("shunt") else "series")


def test_a_name_is_allowed_once() -> None:
    with pytest.raises(ValueError, match="the name 'R1' a second time"):
        parse_element("series R1 1 ohm | (L1 1 mH | R1 2 ohm)")


@pytest.mark.parametrize(
    "part",
    [
        Part("R1", "R", np.ones((3, 1))),
        Part("R1", "R", np.inf),
        Part("R1", "R", 1.0, state="open"),
        Part("pad", "R", 1.0),
        Part("L1", "R", 1.0),
    ],
)
def test_what_the_notation_cannot_say_is_refused(part: Part) -> None:
    with pytest.raises(ValueError, match="notation allows"):
        format_element(Element("series", ((part,),)))


@pytest.mark.parametrize(
    "changes",
    [
        {"value": -1.0},
        {"value": float("nan")},
        {"series_ohm": -0.1},
        {"tolerance": 1.0},
    ],
)
def test_a_part_refuses_what_no_part_is(changes: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="part R1"):
        dataclasses.replace(Part("R1", "R", 1.0), **changes)
