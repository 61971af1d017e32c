"""What is on a desk with something on its USB, as the system lists it."""

from __future__ import annotations

from acqd.drivers.contract import SerialPort, UsbDevice

__all__ = ["MAST", "SOAK"]

MAST = SerialPort(
    device="/dev/ttyACM90",
    vid=0x1209,
    pid=0x0001,
    serial_number="GL0017",
    location="1-2:1.0",
    manufacturer="Gannet",
    product="Lookout",
)
"""A serial port that says whose it is."""

SOAK = UsbDevice(
    vid=0x1209,
    pid=0x00A1,
    serial_number="GL0099",
    location="1-7",
    manufacturer="Gannet",
    product="Soak 30",
    interfaces=((0xFE, 0x03, 0x01),),
)
"""A USBTMC instrument."""
