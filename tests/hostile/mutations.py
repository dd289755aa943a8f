"""Files as a bad day leaves them: values out of every range, keys that moved, bytes that changed."""

import re
from collections.abc import Callable, Sequence
from random import Random

#: A piece of TOML, JSON or CSV that can stand for another: text, number, word.
TOKEN = re.compile(r'"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'|[+-]?\d[\d.]*(?:[eE][+-]?\d+)?|[A-Za-z_][\w-]*')
#: What no bracket, bare number or name looks like to a reader who expects another.
FOREIGN = (
    *(
        "0",
        "-1",
        "1",
        "2",
        "3.0",
        "-0.0",
        "1e-320",
        "1e-12",
        "1e9",
        "1e12",
        "1e300",
        "1e308",
        "1e400",
        "9" * 40,
        "9" * 5000,
    ),
    *("nan", "inf", "-inf", "NaN", "Infinity", "null", "true", "false", "0x10", "1_000", "1,5", "07", "2026-01-01"),
    *('""', '"nan"', '"0"', '"-1"', '"x"', "[]", "{}", "[[]]", "[1.0, 2.0]", "[2.0, 1.0]", "[nan, nan]", "{ a = 1 }"),
    *('"../../x"', '"/dev/zero"', '"/etc/passwd"', '"."', '""""', '"a\\u0000b"', '"\\u001b[2J"', '"\\u202eabc"'),
    *('"<script>alert(1)</script>"', '"=1+1"', '"${x}"', '"{channel}"', '"{0.__class__}"', '"%s%n"', '"{{7*7}}"'),
    *('"ü ж 中"', '"\\ud800"', '"' + "x" * 3000 + '"', "[" * 300 + "]" * 300, '"(a+)+$"', '"[[:alpha:]]{99}"'),
)


def mutated_text(random: Random, text: str, times: int = 0) -> str:
    """A text of tokens with some of them changed."""
    for _ in range(times or random.choice((1, 1, 1, 2, 3))):
        text = random.choice(TEXT_CHANGES)(random, text)
    return text


def _foreign_token(random: Random, text: str) -> str:
    return _with_token(random, text, lambda token: random.choice(FOREIGN))


def _other_token(random: Random, text: str) -> str:
    """A token by another of the same text: a name for a name, a number for a number."""
    tokens = TOKEN.findall(text) or [""]

    def another(token: str) -> str:
        alike = [
            other
            for other in tokens
            if other[:1].isalpha() == token[:1].isalpha() and (other[:1] in "'\"") == (token[:1] in "'\"")
        ]
        return random.choice(alike or tokens)

    return _with_token(random, text, another)


def _scaled_number(random: Random, text: str) -> str:
    def scaled(token: str) -> str:
        try:
            return repr(
                float(token) * random.choice((-1.0, 0.0, 1e-6, 1e-3, 0.1, 0.5, 0.9, 1.1, 2.0, 10.0, 1e3, 1e6, 1e15))
            )
        except ValueError:
            return token

    return _with_token(random, text, scaled, numbers=True)


def _with_token(random: Random, text: str, change: Callable[[str], str], numbers: bool = False) -> str:
    found = [match for match in TOKEN.finditer(text) if not numbers or match[0][:1] in "+-0123456789"]
    if not found:
        return text
    match = random.choice(found)
    return text[: match.start()] + change(match[0]) + text[match.end() :]


def _lines(random: Random, text: str) -> str:
    """A line left out, doubled, moved, or cut."""
    lines = text.splitlines(keepends=True) or [""]
    at, to = random.randrange(len(lines)), random.randrange(len(lines))
    kind = random.randrange(5)
    if kind == 0:
        del lines[at]
    elif kind == 1:
        lines.insert(to, lines[at])
    elif kind == 2:
        lines[at], lines[to] = lines[to], lines[at]
    elif kind == 3:
        lines[at] = lines[at][: random.randrange(len(lines[at]) + 1)]
    else:
        del lines[min(at, to) : max(at, to)]
    return "".join(lines)


def _sign(random: Random, text: str) -> str:
    """One sign more, fewer, or another."""
    at = random.randrange(len(text) + 1)
    return (
        text[:at] + random.choice(("", *"[]{}()=.,;:#\"'\\\n\t -+e0%$\0\x1b\u202e")) + text[at + random.randrange(2) :]
    )


TEXT_CHANGES: Sequence[Callable[[Random, str], str]] = (
    *(_foreign_token, _foreign_token, _foreign_token),
    *(_other_token, _scaled_number, _scaled_number, _lines, _sign),
)


def mutated_bytes(random: Random, content: bytes) -> bytes:
    """Bytes as a bad disk, a bad copy or another program leaves them."""
    at = random.randrange(len(content) + 1)
    end = random.randint(at, min(len(content), at + random.choice((1, 8, 4096))))
    kind = random.randrange(11)
    if kind == 0:
        return content[:at]
    if kind == 1:
        return content[:at] + bytes(random.randrange(256) for _ in range(end - at)) + content[end:]
    if kind == 2:
        return content[:at] + bytes(end - at) + content[end:]
    if kind == 3:
        return content[:at] + content[end:]
    if kind == 4:
        return content[:end] + content[at:end] + content[end:]
    if kind == 5 and content:
        at = min(at, len(content) - 1)
        return content[:at] + bytes([content[at] ^ 1 << random.randrange(8)]) + content[at + 1 :]
    if kind == 6:
        return content.decode("utf-8", "replace").encode(random.choice(("utf-16", "utf-8-sig", "utf-32", "utf-7")))
    if kind == 7:
        return content.replace(b"\n", random.choice((b"\r\n", b"\r", b"", b"\n\n", b"\0")))
    if kind == 8:
        return bytes(random.randrange(256) for _ in range(random.choice((0, 1, 100, 5000))))
    if kind == 9:
        return bytes(len(content))
    return content * random.choice((0, 2, 3))


def mutated(random: Random, content: bytes) -> bytes:
    """A file of text: most often still text, so that its readers come to look at what it says."""
    if random.random() < 0.15:
        return mutated_bytes(random, content)
    text = mutated_text(random, content.decode("utf-8", "surrogateescape"))
    return text.encode(
        "utf-8", "surrogateescape" if not any("\ud800" <= sign < "\udc80" for sign in text) else "replace"
    )
