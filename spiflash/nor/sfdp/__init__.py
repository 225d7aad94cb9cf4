"""Serial Flash Discoverable Parameters (JESD216, up to revision F): pure, no I/O.

`read_whole` fetches the area through a function that the driver supplies, `parse` decodes it,
`to_geometry` turns it into what plans and drivers need.
"""

from spiflash.nor.sfdp.basic import (
    AddressBytes,
    BasicErase,
    BasicFlash,
    EnterFourByte,
    ExitFourByte,
    QuadEnable,
    SoftReset,
    StatusVolatility,
)
from spiflash.nor.sfdp.errors import SfdpError
from spiflash.nor.sfdp.fourbyte import FourByteInstructions
from spiflash.nor.sfdp.headers import ParameterHeader, read_whole
from spiflash.nor.sfdp.modes import CommandExtension, FastRead, OctalMode, QuadMode, TopSpeeds
from spiflash.nor.sfdp.power import DeepPowerDown, Suspend
from spiflash.nor.sfdp.sectormap import Configuration, Detection, MapRegion, SectorMap
from spiflash.nor.sfdp.table import RawTable, Sfdp, parse
from spiflash.nor.sfdp.tiling import ASSUMED, Assumed, to_geometry
from spiflash.nor.sfdp.words import (
    four_byte_methods,
    leaves_by_bank,
    leaves_with_e9h,
    mode_needs_write_enable,
    quad_enable,
)

__all__ = [
    "ASSUMED",
    "AddressBytes",
    "Assumed",
    "BasicErase",
    "BasicFlash",
    "CommandExtension",
    "Configuration",
    "DeepPowerDown",
    "Detection",
    "EnterFourByte",
    "ExitFourByte",
    "FastRead",
    "FourByteInstructions",
    "MapRegion",
    "OctalMode",
    "ParameterHeader",
    "QuadEnable",
    "QuadMode",
    "RawTable",
    "SectorMap",
    "Sfdp",
    "SfdpError",
    "SoftReset",
    "StatusVolatility",
    "Suspend",
    "TopSpeeds",
    "four_byte_methods",
    "leaves_by_bank",
    "leaves_with_e9h",
    "mode_needs_write_enable",
    "parse",
    "quad_enable",
    "read_whole",
    "to_geometry",
]
