r"""Regular expressions that a builder writes into a file of settings: none of them can make the rig wait for ever.

A matcher that goes back on its tracks may need as many steps as there are ways to go through a pattern, and
`(a+)+` has more of them than a day has moments. Here they are counted before the pattern is used.
"""

import re
from functools import lru_cache

from rig.files.tables import Misfit

#: No serial is longer; what repeats without an end is counted as so many; our choice.
LONGEST = 64
#: A pattern that can be gone through in more ways than these is refused: as much as four repetitions without an end,
#: which 64 characters that fit none of them keep busy for 0.03 s (measured, Python 3.11); our choice.
MOST_WAYS = LONGEST**4
ALLOWED = (
    r"letters, digits and signs, \d, \w, \s, \S, [ ] for one of several, ( | ) for alternatives, behind these "
    r"? + * {n} {n,m}, but no repetition within a repetition; such as BT-\d{4} or (L|R)\d+"
)
#: What stands for one character, or for an end of the text.
#: Doubled signs in a set, and a set in a set, may come to mean something else in another version of the language.
ONE = re.compile(r"\\[dDwWsS]|\\[^A-Za-z0-9]|\[(?!\[)\^?+\]?+(?:\\.|(?!--|&&|~~|\|\|)[^\]\\])*\]|[^\\\[\](){}*+?|]")
REPEAT = re.compile(r"([*+?]|\{\d{1,4}(?:,\d{0,4})?\})\??")
OPEN = re.compile(r"\((?:\?:)?")


@lru_cache(maxsize=64)
def compiled(pattern: str) -> re.Pattern[str]:
    r"""A pattern ready to match, in which \d means 0 to 9 and \w a plain letter: digits of other scripts look alike.

    Raises
    ------
    Misfit
        If it is no regular expression, uses more of the language than is allowed, or has too many ways through.
    """
    try:
        ways, end = _ways(pattern, 0)
        if end < len(pattern):
            raise ValueError(f"{pattern[end : end + 8]!r} closes nothing")
        if ways > MOST_WAYS:
            raise ValueError("a repetition within a repetition, or too many of them: it might never end")
        return re.compile(pattern, re.ASCII)
    except (re.error, ValueError, OverflowError, RecursionError) as error:
        found = repr(pattern) if len(pattern) <= 80 else repr(pattern[:77] + "...")
        raise Misfit("", f"{found} ({error})", ALLOWED) from None


def _ways(pattern: str, at: int) -> tuple[int, int]:
    """Ways through the alternatives from `at` on, a little above `MOST_WAYS` at most, and where they end.

    Those of alternatives add up, those of what follows one another multiply.
    """
    ways, of_this = 0, 1
    while at < len(pattern) and pattern[at] != ")":
        if pattern[at] == "|":
            ways, of_this, at = ways + of_this, 1, at + 1
            continue
        item, at = _item(pattern, at)
        repeat = REPEAT.match(pattern, at)
        if repeat:
            item, at = _repeated(item, repeat[1]), repeat.end()
        of_this = min(of_this * item, MOST_WAYS + 1)
    return min(ways + of_this, MOST_WAYS + 1), at


def _item(pattern: str, at: int) -> tuple[int, int]:
    """Ways through one character or group, and where it ends."""
    if opened := OPEN.match(pattern, at):
        ways, at = _ways(pattern, opened.end())
        if at == len(pattern):
            raise ValueError("a ( that is never closed")
        return ways, at + 1
    one = ONE.match(pattern, at)
    if not one:
        raise ValueError(f"{pattern[at : at + 8]!r} is not among what is allowed")
    return 1, one.end()


def _repeated(ways: int, repeat: str) -> int:
    low, _, high = {"*": "0,", "+": "1,", "?": "0,1"}.get(repeat, repeat.strip("{}")).partition(",")
    least = int(low)
    most = least if "," not in repeat and repeat[0] == "{" else int(high or max(LONGEST, least))
    # One way through it stays one, however often; two ways double with each time.
    ways_through: int = ways ** min(most, LONGEST)
    return min((most - least + 1) * ways_through, MOST_WAYS + 1)
