"""USB descriptors of the bridges (USB 2.0, chapter 9), with the field names of the standard."""

from __future__ import annotations

import struct
from dataclasses import dataclass

from hwmocks.ftdi.profile import AdapterProfile

_BULK = 0x02
_VENDOR_SPECIFIC = 0xFF
MANUFACTURER, PRODUCT, SERIAL = 1, 2, 3
_ENGLISH = 0x0409


@dataclass(frozen=True)
class DeviceDescriptor:
    """Table 9-8, and where the device is plugged in."""

    bcdUSB: int  # noqa: N815
    idVendor: int  # noqa: N815
    idProduct: int  # noqa: N815
    bcdDevice: int  # noqa: N815
    bus: int
    address: int
    speed: int
    iSerialNumber: int = SERIAL  # noqa: N815
    iManufacturer: int = MANUFACTURER  # noqa: N815
    iProduct: int = PRODUCT  # noqa: N815
    bLength: int = 18  # noqa: N815
    bDescriptorType: int = 1  # noqa: N815
    bDeviceClass: int = 0  # noqa: N815
    bDeviceSubClass: int = 0  # noqa: N815
    bDeviceProtocol: int = 0  # noqa: N815
    bMaxPacketSize0: int = 64  # noqa: N815
    bNumConfigurations: int = 1  # noqa: N815
    port_number: int = 1
    port_numbers: tuple[int, ...] = (1,)


@dataclass(frozen=True)
class ConfigurationDescriptor:
    """Table 9-10."""

    wTotalLength: int  # noqa: N815
    bNumInterfaces: int  # noqa: N815
    bLength: int = 9  # noqa: N815
    bDescriptorType: int = 2  # noqa: N815
    bConfigurationValue: int = 1  # noqa: N815
    iConfiguration: int = 0  # noqa: N815
    bmAttributes: int = 0x80  # noqa: N815
    bMaxPower: int = 250  # noqa: N815
    extra_descriptors: bytes = b""


@dataclass(frozen=True)
class InterfaceDescriptor:
    """Table 9-12."""

    bInterfaceNumber: int  # noqa: N815
    bLength: int = 9  # noqa: N815
    bDescriptorType: int = 4  # noqa: N815
    bAlternateSetting: int = 0  # noqa: N815
    bNumEndpoints: int = 2  # noqa: N815
    bInterfaceClass: int = _VENDOR_SPECIFIC  # noqa: N815
    bInterfaceSubClass: int = _VENDOR_SPECIFIC  # noqa: N815
    bInterfaceProtocol: int = _VENDOR_SPECIFIC  # noqa: N815
    iInterface: int = PRODUCT  # noqa: N815
    extra_descriptors: bytes = b""


@dataclass(frozen=True)
class EndpointDescriptor:
    """Table 9-13."""

    bEndpointAddress: int  # noqa: N815
    wMaxPacketSize: int  # noqa: N815
    bLength: int = 7  # noqa: N815
    bDescriptorType: int = 5  # noqa: N815
    bmAttributes: int = _BULK  # noqa: N815
    bInterval: int = 0  # noqa: N815
    bRefresh: int = 0  # noqa: N815
    bSynchAddress: int = 0  # noqa: N815
    extra_descriptors: bytes = b""


def device(profile: AdapterProfile, bus: int, address: int, serial: str) -> DeviceDescriptor:
    """The device descriptor; without a serial number its string index is 0."""
    return DeviceDescriptor(
        bcdUSB=0x0200,
        idVendor=profile.vendor,
        idProduct=profile.product,
        bcdDevice=profile.release,
        bus=bus,
        address=address,
        speed=3 if profile.high_speed else 2,
        iSerialNumber=SERIAL if serial else 0,
    )


def configuration(profile: AdapterProfile) -> ConfigurationDescriptor:
    """The only configuration."""
    return ConfigurationDescriptor(
        wTotalLength=9 + profile.interfaces * (9 + 2 * 7), bNumInterfaces=profile.interfaces
    )


def endpoint(profile: AdapterProfile, interface: int, index: int) -> EndpointDescriptor:
    """Endpoint `index` (0 in, 1 out) of interface `interface` (from 0).

    Interface n uses addresses 0x81 + 2n for data in and 0x02 + 2n for data out.
    """
    address = 0x81 + 2 * interface if index == 0 else 0x02 + 2 * interface
    return EndpointDescriptor(bEndpointAddress=address, wMaxPacketSize=profile.packet)


def string(text: str | None) -> bytes:
    """A string descriptor (9.6.7); None asks for the table of languages."""
    body = _ENGLISH.to_bytes(2, "little") if text is None else text.encode("utf-16-le")
    return bytes((2 + len(body), 3)) + body


def device_bytes(profile: AdapterProfile, serial: str) -> bytes:
    """The device descriptor as it travels (table 9-8)."""
    d = device(profile, 0, 0, serial)
    return struct.pack(
        "<BBHBBBBHHHBBBB",
        d.bLength,
        d.bDescriptorType,
        d.bcdUSB,
        d.bDeviceClass,
        d.bDeviceSubClass,
        d.bDeviceProtocol,
        d.bMaxPacketSize0,
        d.idVendor,
        d.idProduct,
        d.bcdDevice,
        d.iManufacturer,
        d.iProduct,
        d.iSerialNumber,
        d.bNumConfigurations,
    )


def configuration_bytes(profile: AdapterProfile) -> bytes:
    """The configuration with its interfaces and endpoints as it travels (9-10, 9-12, 9-13)."""
    c = configuration(profile)
    whole = struct.pack(
        "<BBHBBBBB",
        c.bLength,
        c.bDescriptorType,
        c.wTotalLength,
        c.bNumInterfaces,
        c.bConfigurationValue,
        c.iConfiguration,
        c.bmAttributes,
        c.bMaxPower,
    )
    for number in range(profile.interfaces):
        i = InterfaceDescriptor(bInterfaceNumber=number)
        whole += struct.pack(
            "9B",
            i.bLength,
            i.bDescriptorType,
            i.bInterfaceNumber,
            i.bAlternateSetting,
            i.bNumEndpoints,
            i.bInterfaceClass,
            i.bInterfaceSubClass,
            i.bInterfaceProtocol,
            i.iInterface,
        )
        for index in (0, 1):
            e = endpoint(profile, number, index)
            whole += struct.pack(
                "<BBBBHB",
                e.bLength,
                e.bDescriptorType,
                e.bEndpointAddress,
                e.bmAttributes,
                e.wMaxPacketSize,
                e.bInterval,
            )
    return whole
