"""Who may ask the page for what."""

import pytest

from rig.page.guarding import KEY_HEADER, TOKEN_COOKIE, Asked, Rules, is_this_machine, refusal

HOST = "127.0.0.1:8720"
RULES = Rules(frozenset({HOST, "localhost:8720", "192.0.2.7:8720"}), key="k3y", token="t0ken")
CHANGE = {"host": HOST, "origin": f"http://{HOST}", KEY_HEADER: "k3y"}


def asked(method="GET", client="127.0.0.1", headers=None, cookies=None, token="") -> Asked:
    return Asked(method, client, {"host": HOST} if headers is None else headers, cookies or {}, token)


def test_this_machine_reads_and_changes() -> None:
    assert refusal(asked(), RULES) is None
    assert refusal(asked("POST", headers=CHANGE), RULES) is None


@pytest.mark.parametrize(
    "headers",
    [
        {**CHANGE, "host": "evil.example:8720"},  # a name elsewhere that was made to point here
        {**CHANGE, "host": "127.0.0.1"},
        {**CHANGE, "host": ""},
        {**CHANGE, "origin": "http://evil.example"},
        {**CHANGE, "origin": "null"},
        {**CHANGE, "origin": "http://localhost:8720"},
        {**CHANGE, KEY_HEADER: "other"},
        {name: value for name, value in CHANGE.items() if name != KEY_HEADER},
        {name: value for name, value in CHANGE.items() if name != "origin"},
    ],
)
def test_nothing_from_elsewhere_changes_anything(headers: dict[str, str]) -> None:
    assert refusal(asked("POST", headers=headers), RULES) is not None


@pytest.mark.parametrize(
    ("site", "mode", "dest", "is_let_in"),
    [
        # As browsers send them: typed in, from our own page, a link on another page, ...
        ("none", "navigate", "document", True),
        ("same-origin", "cors", "empty", True),
        ("cross-site", "navigate", "document", True),
        # ... a picture, a script, a frame and a fetch of another page; one of another server on this machine.
        ("cross-site", "no-cors", "image", False),
        ("cross-site", "no-cors", "script", False),
        ("cross-site", "navigate", "iframe", False),
        ("cross-site", "cors", "empty", False),
        ("same-site", "no-cors", "image", False),
        ("odd", "no-cors", "image", False),
    ],
)
def test_no_other_page_takes_this_one_in(site: str, mode: str, dest: str, is_let_in: bool) -> None:
    """A picture names no origin: twelve would take all streams of the windows, one with the key open the inputs."""
    sent = {"host": HOST, "sec-fetch-site": site, "sec-fetch-mode": mode, "sec-fetch-dest": dest}
    assert (refusal(asked(headers=sent), RULES) is None) == is_let_in


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS"])
def test_another_machine_changes_nothing_whatever_it_shows(method: str) -> None:
    shown = {"cookies": {TOKEN_COOKIE: "t0ken"}, "token": "t0ken"}
    assert refusal(asked(method, "192.0.2.9", CHANGE, **shown), RULES) is not None


def test_another_machine_reads_with_the_token_alone() -> None:
    headers = {"host": "192.0.2.7:8720"}
    assert refusal(asked(client="192.0.2.9", headers=headers), RULES) is not None
    assert refusal(asked(client="192.0.2.9", headers=headers, token="tOken"), RULES) is not None
    assert refusal(asked(client="192.0.2.9", headers=headers, token="t0ken"), RULES) is None
    assert refusal(asked(client="192.0.2.9", headers=headers, cookies={TOKEN_COOKIE: "t0ken"}), RULES) is None
    without = Rules(RULES.hosts, RULES.key)
    assert refusal(asked(client="192.0.2.9", headers=headers, token=""), without) is not None


@pytest.mark.parametrize(
    ("client", "is_here"),
    [
        ("127.0.0.1", True),
        ("127.8.8.8", True),
        ("::1", True),
        ("::ffff:127.0.0.1", True),
        ("192.0.2.9", False),
        ("", False),
    ],
)
def test_what_this_machine_is(client: str, is_here: bool) -> None:
    assert is_this_machine(client) == is_here
