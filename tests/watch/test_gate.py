"""Who may ask the page's server for anything: a table, and what must hold of any request."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import Usage
from harness.page.gate import Asked, Rule, host_allowed
from harness.page.serving import addresses, bound, is_loopback, rule_for

HERE = Rule(frozenset({"127.0.0.1", "localhost"}), 8000)
KEYED = Rule(frozenset({"bench-pc"}), 8000, any_address=True, key="k" * 32)
GOOD = Asked(method="GET", host="127.0.0.1:8000", origin="", site="", cookie="", query="")
OWN = "http://127.0.0.1:8000"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({}, ""),
        ({"host": "localhost:8000"}, ""),
        ({"host": "LOCALHOST:8000"}, ""),
        ({"host": "127.0.0.1"}, "host name"),
        ({"host": ""}, "host name"),
        ({"host": "\0"}, "host name"),
        ({"host": "127.0.0.1:8001"}, "host name"),
        ({"host": "127.0.0.1:8000:8000"}, "host name"),
        ({"host": "evil.example:8000"}, "host name"),
        ({"host": "127.0.0.1.evil.example:8000"}, "host name"),
        ({"host": "127.0.0.2:8000"}, "host name"),
        ({"host": "127.0.0.1:\xb2"}, "host name"),
        ({"host": "127.0.0.1:08000"}, "host name"),
        ({"host": "127.0.0.1:" + "9" * 6000}, "host name"),
        ({"origin": OWN}, ""),
        ({"origin": "http://evil.example"}, "another site"),
        ({"origin": "null"}, "another site"),
        ({"origin": "https://127.0.0.1:8000"}, "another site"),
        ({"origin": "http://127.0.0.1:8001"}, "another site"),
        ({"origin": "http://localhost:8000"}, "another site"),
        ({"site": "same-origin"}, ""),
        ({"site": "none"}, ""),
        ({"site": "cross-site"}, "another site"),
        ({"site": "same-site"}, "another site"),
        ({"method": "POST"}, "from this page itself"),
        ({"method": "POST", "origin": OWN}, ""),
        ({"method": "DELETE"}, "from this page itself"),
    ],
)
def test_on_this_machine(change: dict[str, str], words: str) -> None:
    why = HERE.refuses(replace(GOOD, **change))
    assert (words in why) if words else why == ""


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({}, "wants its key"),
        ({"query": "key=" + "k" * 32}, ""),
        ({"query": "key=wrong"}, "wants its key"),
        ({"query": "key="}, "wants its key"),
        ({"query": "key=wrong&key=" + "k" * 32}, ""),
        ({"cookie": "nightbench-8000=" + "k" * 32}, ""),
        ({"cookie": "nightbench-8001=" + "k" * 32}, "wants its key"),
        ({"cookie": "nightbench-8000=ü"}, "wants its key"),
        ({"cookie": "; = \x00;;"}, "wants its key"),
        ({"cookie": "nightbench-8000=" + "k" * 32, "host": "evil.example:8000"}, "host name"),
        ({"cookie": "nightbench-8000=" + "k" * 32, "host": "bench-pc:8000"}, ""),
        ({"cookie": "nightbench-8000=" + "k" * 32, "host": "[::1]:8000"}, ""),
        ({"cookie": "nightbench-8000=" + "k" * 32, "host": "[::1]"}, "host name"),
    ],
)
def test_where_others_can_reach_it(change: dict[str, str], words: str) -> None:
    why = KEYED.refuses(replace(GOOD, host="192.0.2.7:8000", **{k: v for k, v in change.items() if k != "host"}))
    if "host" in change:
        why = KEYED.refuses(replace(GOOD, **change))
    assert (words in why) if words else why == ""


TEXT = st.text(max_size=40) | st.sampled_from([OWN, "127.0.0.1:8000", "null", "same-origin", "GET", "POST"])


@given(st.builds(Asked, TEXT, TEXT, TEXT, TEXT, TEXT, TEXT))
def test_whatever_is_asked_it_never_raises_and_lets_in_only_what_is_ours(asked: Asked) -> None:
    if not HERE.refuses(asked):
        assert asked.host.lower() in ("127.0.0.1:8000", "localhost:8000")
        assert asked.origin in ("", f"http://{asked.host}")
        assert asked.method in ("GET", "HEAD") or asked.origin
    assert KEYED.refuses(asked) or KEYED.has_key(asked)


@given(TEXT)
def test_a_host_that_is_no_address_and_not_named_is_refused(host: str) -> None:
    if host_allowed(host, names=("a",), port=8000, any_address=False):
        assert host.lower() == "a:8000"


@pytest.mark.parametrize(
    ("address", "loopback"),
    [("127.0.0.1", True), ("127.9.9.9", True), ("::1", True), ("0.0.0.0", False), ("::", False), ("192.0.2.1", False),
     ("localhost", False), ("", False)],
)  # fmt: skip
def test_a_key_is_wanted_wherever_others_can_come_from(address: str, loopback: bool) -> None:
    assert is_loopback(address) is loopback
    rule = rule_for(address, 8000)
    assert bool(rule.key) is not loopback
    assert (f"?key={rule.key}" in addresses(rule, address)) is not loopback


def test_no_two_keys_are_the_same() -> None:
    assert len({rule_for("0.0.0.0", 8000).key for _ in range(50)}) == 50


@pytest.mark.parametrize("address", ["nowhere.example", "256.1.1.1", "192.0.2.77", "", "127.0.0.1\n"])
def test_a_place_where_nothing_can_listen_is_refused_in_one_line(address: str) -> None:
    with pytest.raises(Usage, match="--listen") as refused:
        bound(address, 0)
    assert "\n" not in str(refused.value)
