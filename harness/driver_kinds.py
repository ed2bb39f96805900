"""What may stand on a bench, and what reading it may raise."""

from __future__ import annotations

from drivers.contact import Contact
from drivers.faults import InstrumentFault
from drivers.load import Load
from drivers.meter import Meter
from drivers.shunt import ShuntMeter
from drivers.supply import Supply
from drivers.switch import PowerSwitch
from drivers.thermometer import Thermometer
from drivers.wire import WireError

Driver = Supply | Load | Meter | ShuntMeter | Thermometer | PowerSwitch | Contact

READ_ERRORS = (WireError, InstrumentFault)
