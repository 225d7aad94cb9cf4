"""Serial Flash Discoverable Parameters (JESD216, up to revision F): pure, no I/O.

`read_whole` fetches the area through a function that the driver supplies, `parse` decodes it,
`to_geometry` turns it into what plans and drivers need. Section numbers, field positions and
meanings are cited from memory of JESD216F and its predecessors; the tests hold them against
tables read from real parts.
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
from spiflash.nor.sfdp.derived import (
    ASSUMED,
    Assumed,
    four_byte_methods,
    leaves_by_bank,
    leaves_with_e9h,
    mode_needs_write_enable,
    quad_enable,
    to_geometry,
)
from spiflash.nor.sfdp.headers import ParameterHeader, SfdpError, read_whole
from spiflash.nor.sfdp.modes import (
    CommandExtension,
    DeepPowerDown,
    FastRead,
    OctalMode,
    QuadMode,
    Suspend,
    TopSpeeds,
)
from spiflash.nor.sfdp.table import (
    Configuration,
    Detection,
    FourByteInstructions,
    MapRegion,
    Missing,
    RawTable,
    SectorMap,
    Sfdp,
    parse,
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
    "Missing",
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
