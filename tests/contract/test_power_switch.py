"""What every switch does, whatever it speaks and whatever line it hangs on."""

from __future__ import annotations

import pytest
from instruments import driver_on, rows

from drivers.switch import PowerSwitch


@pytest.fixture(params=rows("switch"))
def switch(request, tmp_path):
    with driver_on(request.param, tmp_path) as driver:
        yield driver


def test_is_closed_when_told_and_open_when_told(switch):
    for on in (True, True, False, False, True):
        switch.switch(on)
        assert switch.is_on() is on
        assert switch.state() == {"position": on}
    switch.off()
    assert not switch.is_on()
    assert switch.errors() == ()


def test_relays_of_one_box_are_told_apart(switch):
    if switch.channel is None:
        pytest.skip("one circuit only")
    other = PowerSwitch(switch.session, switch.dialect, channel=2, name="acload")
    switch.switch(True)
    other.switch(False)
    assert (switch.is_on(), other.is_on()) == (True, False)
    switch.off()
    other.switch(True)
    assert (switch.is_on(), other.is_on()) == (False, True)
    assert switch.errors() == ()
