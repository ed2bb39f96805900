"""Where a USB instrument is, in files as the kernel has them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.guard_usb_place import Place, find

DEVICE = {"idVendor": "12a4", "idProduct": "0f18", "serial": "a1", "busnum": "10", "devnum": "117"}
TMC = {"bInterfaceClass": "fe", "bInterfaceSubClass": "03"}
ENDS = {
    "ep_01": {"type": "Bulk", "bEndpointAddress": "01", "wMaxPacketSize": "0040"},
    "ep_82": {"type": "Bulk", "bEndpointAddress": "82", "wMaxPacketSize": "0a01"},
    "ep_85": {"type": "Interrupt", "bEndpointAddress": "85", "wMaxPacketSize": "0002"},
}
WAY = {"maker": 0x12A4, "model": 0x0F18, "serial": "A1", "interface": 0}


def fill(folder: Path, told: dict[str, Any]) -> None:
    folder.mkdir(exist_ok=True)
    for name, one in told.items():
        if isinstance(one, dict):
            fill(folder / name, one)
        else:
            (folder / name).write_text(f"{one}\n")


def plugged(root: Path, **more: Any) -> dict[str, Any]:
    """Beside a hub, which has no serial number, and instruments that are others."""
    interfaces = {
        "3-1:1.0": {"bInterfaceClass": "ff", "bInterfaceSubClass": "03", "bInterfaceNumber": "00", **ENDS},
        "3-1:1.16": {**TMC, "bInterfaceNumber": "10", **ENDS},
        "3-1:1.1": {**TMC, "bInterfaceNumber": "01", **ENDS},
        "power": {},
    }
    told: dict[str, Any] = {
        "usb3": {"idVendor": "12a4", "idProduct": "0f18"},
        "3-1": DEVICE | interfaces,
        "3-2": DEVICE | {"serial": "a2"},
        "3-3": DEVICE | {"idProduct": "0f19"},
        "3-4": DEVICE | {"idVendor": "12a5"},
        "3-5": DEVICE | {"idVendor": "no number"},
    }
    told["3-1"] |= more
    fill(root, told)
    return told


@pytest.mark.parametrize(("interface", "number"), [(0, 1), (1, 1), (16, 16)])
def test_where_it_is(interface: int, number: int, tmp_path: Path) -> None:
    plugged(tmp_path)
    found = find(WAY | {"interface": interface}, root=str(tmp_path), nodes="/nodes")
    assert found == Place("/nodes/010/117", number, out=0x01, into=0x82, packet=0x201)


def test_an_interface_0_is_that_one(tmp_path: Path) -> None:
    plugged(tmp_path, **{"3-1:1.0": {**TMC, "bInterfaceNumber": "00", **ENDS}})
    assert find(WAY, root=str(tmp_path)).interface == 0


def _no_bits(ends: dict[str, Any]) -> None:
    ends["ep_82"]["wMaxPacketSize"] = "1800"


@pytest.mark.parametrize(
    "spoil",
    [lambda ends: ends.pop("ep_01"), lambda ends: ends.pop("ep_82"), _no_bits],
    ids=["nothing out", "nothing in", "packets of nothing"],
)
def test_one_without_two_endpoints(spoil: Callable[[dict[str, Any]], Any], tmp_path: Path) -> None:
    ends = {name: dict(one) for name, one in ENDS.items()}
    spoil(ends)
    plugged(tmp_path, **{"3-1:1.2": {**TMC, "bInterfaceNumber": "02", **ends}})
    with pytest.raises(ConnectionError, match="interface 2 has not two bulk endpoints"):
        find(WAY | {"interface": 2}, root=str(tmp_path))
