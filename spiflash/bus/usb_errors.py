"""What pyusb and pyftdi report, in this program's own errors."""

from __future__ import annotations

import contextlib
import errno
from collections.abc import Iterator

from pyftdi.ftdi import FtdiError
from usb.core import USBError

from spiflash.errors import AdapterLostError, BusError

LOST = (errno.ENODEV, errno.EIO, errno.ENOENT, errno.EPIPE, errno.ESHUTDOWN)
"""What libusb reports once a device is unplugged."""


@contextlib.contextmanager
def translated() -> Iterator[None]:
    """pyftdi's and pyusb's errors as ours."""
    try:
        yield
    except (FtdiError, USBError) as exc:
        raise _as_bus_error(exc) from exc


def _as_bus_error(exc: Exception) -> BusError:
    """Tell an unplugged adapter from one that hangs."""
    origin: BaseException | None = exc
    while origin is not None and not isinstance(origin, USBError):
        # pyftdi raises its own error "from None": the USB error is still its context.
        origin = origin.__cause__ or origin.__context__
    if isinstance(origin, USBError) and origin.errno == errno.EBUSY:
        return BusError(
            f"Another program uses the adapter ({exc}).",
            state="Nothing has been sent to the chip.",
            remedy="Close the other program and repeat.",
        )
    if isinstance(origin, USBError) and origin.errno in LOST:
        return AdapterLostError(
            "The adapter has gone: it was unplugged, or its USB port was reset.",
            state="Its pins float, so the chip is deselected.",
            remedy="Plug it in again and repeat the command.",
        )
    return BusError(
        f"The adapter did not take or give data in time ({exc}).",
        state="The bus is released.",
        remedy="Check the USB cable and the hub, then repeat.",
    )
