"""The clear of a USB test and measurement instrument, which the back end does not have.

Requests and numbers by the USB Test and Measurement Class specification 1.0, 4.2.1.6 INITIATE_CLEAR and 4.2.1.7
CHECK_CLEAR_STATUS (from memory). Not tried on hardware: here is none.
"""

from __future__ import annotations

import threading
from typing import Any

CLASS_INTERFACE_IN = 0xA1
"""bmRequestType: a class request to an interface, answered by the device."""

INITIATE_CLEAR, CHECK_CLEAR_STATUS = 5, 6
SUCCESS, PENDING = 0x01, 0x02
BULK_IN_FIFO_BYTES = 0x01
"""bmClear: the device wants its answer read out before it goes on."""

POLL_S = 0.01


def clear_usbtmc(interface: Any, *, within_s: float) -> bool:
    """Clear through pyusb's device behind ``interface``; False when there is none. Raises ``ConnectionError`` when the
    device refuses or does not get done in time, and what pyusb raises.
    """
    device, place = getattr(interface, "usb_dev", None), getattr(interface, "usb_intf", None)
    if device is None or place is None:
        return False
    number, wait_ms = place.bInterfaceNumber, max(1, round(1000 * within_s))
    answer = device.ctrl_transfer(CLASS_INTERFACE_IN, INITIATE_CLEAR, 0, number, 1, timeout=wait_ms)
    if answer[0] != SUCCESS:
        raise ConnectionError(f"the device refused to be cleared (status {answer[0]:#04x})")
    for _ in range(max(1, round(within_s / POLL_S))):
        status, clear = device.ctrl_transfer(CLASS_INTERFACE_IN, CHECK_CLEAR_STATUS, 0, number, 2, timeout=wait_ms)[:2]
        if status == SUCCESS:
            device.clear_halt(interface.usb_send_ep.bEndpointAddress)
            return True
        if status != PENDING:
            raise ConnectionError(f"the device could not be cleared (status {status:#04x})")
        if clear & BULK_IN_FIFO_BYTES:
            interface.usb_recv_ep.read(interface.usb_recv_ep.wMaxPacketSize, wait_ms)
        threading.Event().wait(POLL_S)
    raise ConnectionError(f"the device was not done clearing within {within_s:g} s")
