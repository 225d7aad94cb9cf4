"""The simulated bridges as a pyusb backend, so that pyusb and what stands on it run unchanged.

Errors carry the numbers of libusb on Linux.
"""

from __future__ import annotations

import array
import errno
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import usb.backend
import usb.core

from hwmocks.ftdi import descriptors
from hwmocks.ftdi.device import FtdiDevice


@dataclass(eq=False, slots=True)
class _Handle:
    """One opening of a device, good until the device is unplugged."""

    device: FtdiDevice
    plugging: int
    claimed: set[int] = field(default_factory=set)

    def live(self) -> FtdiDevice:
        """The device. Raises USBError (ENODEV) when it was unplugged since."""
        if not self.device.plugged or self.plugging != self.device.plugging:
            raise _no_device()
        return self.device

    def claim(self, interface: int) -> tuple[int, int, int]:
        """What stands for this interface of this plugging in the table of claims."""
        return id(self.device), self.plugging, interface


class UsbBackend(usb.backend.IBackend):  # type: ignore[misc]  # pyusb has no types
    """A USB bus with these devices on it. Devices without an own address get one."""

    def __init__(self, devices: Sequence[FtdiDevice]) -> None:
        self.devices = list(devices)
        self._claims: dict[tuple[int, int, int], _Handle] = {}
        self.kernel_warnings = 0
        """Lines that Linux would have written into its log about the programs' behaviour."""
        used: set[tuple[int, int]] = set()
        for device in self.devices:
            while (device.bus, device.address) in used:
                device.address += 1
            used.add((device.bus, device.address))

    # -- finding ---------------------------------------------------------------------------

    def enumerate_devices(self) -> Iterator[FtdiDevice]:
        """The devices that are plugged in."""
        return (device for device in self.devices if device.plugged)

    def get_parent(self, dev: FtdiDevice) -> None:
        """The hub; none here."""
        return

    def get_device_descriptor(self, dev: FtdiDevice) -> descriptors.DeviceDescriptor:
        """The device descriptor."""
        return descriptors.device(dev.profile, dev.bus, dev.address, dev.serial)

    def get_configuration_descriptor(
        self, dev: FtdiDevice, config: int
    ) -> descriptors.ConfigurationDescriptor:
        """The only configuration. Raises IndexError for others."""
        if config:
            raise IndexError(f"no configuration with index {config}")
        return descriptors.configuration(dev.profile)

    def get_interface_descriptor(
        self, dev: FtdiDevice, intf: int, alt: int, config: int
    ) -> descriptors.InterfaceDescriptor:
        """Interface `intf`, counted from 0. Raises IndexError when there is none."""
        if intf >= dev.profile.interfaces or alt or config:
            raise IndexError(f"no interface with index {intf}, setting {alt}")
        return descriptors.InterfaceDescriptor(bInterfaceNumber=intf)

    def get_endpoint_descriptor(
        self, dev: FtdiDevice, ep: int, intf: int, alt: int, config: int
    ) -> descriptors.EndpointDescriptor:
        """Endpoint `ep`, 0 in or 1 out. Raises IndexError when there is none."""
        if ep > 1 or intf >= dev.profile.interfaces or alt or config:
            raise IndexError(f"no endpoint with index {ep}")
        return descriptors.endpoint(dev.profile, intf, ep)

    # -- opening and claiming --------------------------------------------------------------

    def open_device(self, dev: FtdiDevice) -> _Handle:
        """Open the device; it may be opened several times."""
        if not dev.plugged:
            raise _no_device()
        if not dev.accessible:
            raise usb.core.USBError("Access denied (insufficient permissions)", -3, errno.EACCES)
        return _Handle(dev, dev.plugging)

    def close_device(self, dev_handle: _Handle) -> None:
        """Close one opening; its claims end."""
        for intf in tuple(dev_handle.claimed):
            self._drop(dev_handle, intf)

    def set_configuration(self, dev_handle: _Handle, config_value: int) -> None:
        """Raises USBError (EBUSY) while any interface has a driver or is claimed; the kernel
        writes a warning into its log then (proc_setconfig in its drivers/usb/core/devio.c)."""
        device = dev_handle.live()
        claimed = any(claim[:2] == (id(device), device.plugging) for claim in self._claims)
        if claimed or device.driven_by_kernel:
            self.kernel_warnings += 1
            raise _busy()

    def get_configuration(self, dev_handle: _Handle) -> int:
        """The value of the active configuration."""
        dev_handle.live()
        return 1

    def set_interface_altsetting(self, dev_handle: _Handle, intf: int, altsetting: int) -> None:
        """Interfaces have one setting only."""

    def claim_interface(self, dev_handle: _Handle, intf: int) -> None:
        """Raises USBError: EBUSY when another handle or the kernel's driver has it, ENODEV when
        unplugged."""
        if intf in dev_handle.live().driven_by_kernel:
            raise _busy()
        owner = self._claims.setdefault(dev_handle.claim(intf), dev_handle)
        if owner is not dev_handle:
            raise _busy()
        dev_handle.claimed.add(intf)

    def release_interface(self, dev_handle: _Handle, intf: int) -> None:
        """Raises USBError (ENODEV) when unplugged; the claim ends anyway."""
        self._drop(dev_handle, intf)
        dev_handle.live()

    def _drop(self, handle: _Handle, intf: int) -> None:
        if self._claims.get(handle.claim(intf)) is handle:
            del self._claims[handle.claim(intf)]
        handle.claimed.discard(intf)

    # -- transfers -------------------------------------------------------------------------

    def bulk_write(
        self, dev_handle: _Handle, ep: int, intf: int, data: array.array[int], timeout: int
    ) -> int:
        """The number of bytes accepted; `timeout` in milliseconds."""
        return dev_handle.live().bulk_write(intf + 1, data.tobytes(), timeout)

    def bulk_read(
        self, dev_handle: _Handle, ep: int, intf: int, buff: array.array[int], timeout: int
    ) -> int:
        """Fill `buff`; the number of bytes received. `timeout` in milliseconds."""
        data = dev_handle.live().bulk_read(intf + 1, len(buff), timeout)
        memoryview(buff)[: len(data)] = data
        return len(data)

    def ctrl_transfer(
        self,
        dev_handle: _Handle,
        bmRequestType: int,  # noqa: N803 (pyusb's own name)
        bRequest: int,  # noqa: N803
        wValue: int,  # noqa: N803
        wIndex: int,  # noqa: N803
        data: array.array[int],
        timeout: int,
    ) -> int:
        """Bytes received into `data` for IN requests, else sent from it."""
        answer = dev_handle.live().control(bmRequestType, bRequest, wValue, wIndex, len(data))
        if not bmRequestType & 0x80:
            return len(data)
        memoryview(data)[: len(answer)] = answer
        return len(answer)

    def clear_halt(self, dev_handle: _Handle, ep: int) -> None:
        """Bulk endpoints never halt here."""

    def reset_device(self, dev_handle: _Handle) -> None:
        """A USB port reset: every channel restarts."""
        device = dev_handle.live()
        for channel in device.channels.values():
            channel.engine.unplug(device.clock.now())
            channel.pins.serial = True

    # What libusb's Linux backend (op_kernel_driver_active and its neighbours in linux_usbfs.c, from
    # memory) makes of the kernel's answers.

    def is_kernel_driver_active(self, dev_handle: _Handle, intf: int) -> bool:
        """Whether the kernel's serial driver has the interface."""
        return intf in dev_handle.live().driven_by_kernel

    def detach_kernel_driver(self, dev_handle: _Handle, intf: int) -> None:
        """Raises USBError: ENOENT when no driver has it, ENODEV when unplugged."""
        bound = dev_handle.live().driven_by_kernel
        if intf not in bound:
            raise usb.core.USBError("Entity not found", -5, errno.ENOENT)
        bound.remove(intf)

    def attach_kernel_driver(self, dev_handle: _Handle, intf: int) -> None:
        """Raises USBError: EBUSY while it is claimed or has a driver, ENODEV when unplugged."""
        device = dev_handle.live()
        if intf in device.driven_by_kernel or dev_handle.claim(intf) in self._claims:
            raise _busy()
        device.driven_by_kernel.add(intf)


def _busy() -> usb.core.USBError:
    return usb.core.USBError("Resource busy", -6, errno.EBUSY)


def _no_device() -> usb.core.USBError:
    return usb.core.USBError("No such device (it may have been disconnected)", -4, errno.ENODEV)
