"""Dialects a person would have written for instruments with habits: they load, and the drivers get on with them."""

from __future__ import annotations

import tomllib
from importlib import resources

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.dialect import parse, shipped
from sims.bench import open_bench, scenarios
from sims.dialect_notes import needs_own, own_dialect
from sims.manners import Manners


def text_of(name: str) -> str:
    return (resources.files("drivers") / "dialects" / f"{name}.toml").read_text("utf-8")


MANNERS = st.builds(
    Manners,
    comma=st.booleans(),
    remote_needed=st.booleans(),
    echo=st.booleans(),
    gap_s=st.sampled_from([0.0, 0.02, 0.05]),
    ends=st.sampled_from(["\n", "\r\n", "\r", "\n\0", ""]),
    hears=st.sampled_from(["\n", "\r", "\r\n"]),
    compound=st.sampled_from(["joined", "refused", "first"]),
    answers_orders=st.sampled_from(["", "OK", '"=>" \\']),
    deaf_s=st.sampled_from([0.0, 2.0]),
    buffer_bytes=st.sampled_from([0, 40, 100]),
)


@settings(max_examples=60, deadline=None)
@given(name=st.sampled_from(shipped()), manners=MANNERS)
def test_any_of_them_is_a_dialect(name: str, manners: Manners) -> None:
    dialect = parse(own_dialect(text_of(name), manners), where=f"{name}.toml")
    assert dialect.decimal_comma == manners.comma
    assert (dialect.remote is not None) == manners.remote_needed
    assert dialect.line.pace_s == pytest.approx(2.0 * manners.gap_s)
    assert (dialect.line.echo, dialect.line.message_bytes) == (manners.echo, manners.buffer_bytes)
    assert dialect.line.terminator == manners.hears
    assert dialect.line.order_reply == manners.answers_orders
    assert dialect.line.boot_s == pytest.approx(1.2 * manners.deaf_s)
    assert not (manners.compound == "refused" and dialect.channels.joined)


@pytest.mark.parametrize("name", shipped())
def test_good_manners_need_no_file(name: str) -> None:
    for manners in (Manners(), Manners(unit_suffix=True, quoted=True, nr3=True, ends="\r\n", error_words="bare")):
        assert not needs_own(manners)
        assert tomllib.loads(own_dialect(text_of(name), manners)) == tomllib.loads(text_of(name))


@pytest.mark.parametrize("name", sorted(scenarios()))
def test_the_files_a_bench_needs_are_the_ones_it_names(name: str) -> None:
    bench = open_bench(name, now=lambda: 0.0)
    written = tomllib.loads(bench.bench_toml({one: one for one in bench.names}, own_dialects=True))
    named = {one["dialect"] for one in written["instrument"]}
    files = bench.dialect_files(text_of)
    assert {one for one in named if one.endswith(".toml")} == set(files)
    assert {one for one in named if not one.endswith(".toml")} <= set(shipped())
    plain = tomllib.loads(bench.bench_toml({one: one for one in bench.names}))
    assert {one["dialect"] for one in plain["instrument"]} <= set(shipped())
