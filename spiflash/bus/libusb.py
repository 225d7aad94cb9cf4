"""Where libusb comes from: the system's own, else the one that pip brought along.

pyftdi loads its pyusb backend by module name; this module is that name (`get_backend`).
"""

from __future__ import annotations

import libusb_package
import usb.backend.libusb1
from pyftdi.usbtools import UsbTools
from usb.backend import IBackend


def get_backend() -> IBackend | None:
    """The first libusb that loads, or None."""
    backend: IBackend | None = usb.backend.libusb1.get_backend()
    if backend is None:
        backend = usb.backend.libusb1.get_backend(find_library=libusb_package.find_library)
    return backend


def install() -> None:
    """Make pyftdi look here first."""
    if __name__ not in UsbTools.BACKENDS:
        UsbTools.BACKENDS = (__name__, *UsbTools.BACKENDS)
