"""The invented country: its regions and the names of its sites. None of these places exists.

The coordinates lie in open ocean, where no real place can be mistaken for one of these.
"""

from __future__ import annotations

from dataclasses import dataclass

COUNTRY_NAME = "Verrland"


@dataclass(frozen=True)
class Region:
    """A region.

    Attributes:
        name: its name.
        latitude, longitude: its middle, degrees.
        spread_km: how far its sites lie from the middle, roughly [km].
        elevation_m: range of its sites' heights [m].
        mean_temperature_c: yearly mean at sea level [degree C].
        mean_wind_mps: median wind at sea level [m/s].
        places: names of its sites.
    """

    name: str
    latitude: float
    longitude: float
    spread_km: float
    elevation_m: tuple[float, float]
    mean_temperature_c: float
    mean_wind_mps: float
    places: tuple[str, ...]


REGIONS: tuple[Region, ...] = (
    Region(
        "Upper Orsen",
        46.55,
        -30.35,
        40.0,
        (450.0, 1150.0),
        8.5,
        5.5,
        (
            "Karrow Hill",
            "Ostvel Ridge",
            "Brackmoor",
            "Tallinger Top",
            "Haldrosk Pass",
            "Morrock",
            "Senner Hill",
            "Upper Velgate",
        ),
    ),
    Region(
        "Lower Orsen",
        46.00,
        -30.30,
        38.0,
        (60.0, 380.0),
        9.5,
        4.0,
        (
            "Orsenbridge",
            "Teldham Water Tower",
            "Garrenfield",
            "Low Brackley Mast",
            "Vessarn",
            "Harnwick Depot",
            "Dorrel Exchange",
            "Anstrow",
        ),
    ),
    Region(
        "West Coast",
        46.10,
        -31.35,
        42.0,
        (10.0, 240.0),
        10.5,
        7.0,
        (
            "Skarvold Head",
            "Port Havarn",
            "Havarn Harbour",
            "Lorrick Point",
            "Grennet Light",
            "Wester Tolm",
            "Sandvarrow",
            "Cape Durrell",
        ),
    ),
    Region(
        "Moren Plain",
        45.45,
        -30.05,
        45.0,
        (30.0, 180.0),
        10.0,
        4.5,
        (
            "Morendal",
            "Ellvar Silo",
            "Tarnlow Junction",
            "Greater Pellow",
            "Pellow Canal",
            "Unstrow",
            "Ravel Crossing",
            "Kettmoor Works",
        ),
    ),
    Region(
        "Southern Hills",
        45.35,
        -31.00,
        40.0,
        (220.0, 780.0),
        10.0,
        5.0,
        (
            "Dunnerley Hill",
            "Varrowfell",
            "Stanmark",
            "Holverren Ridge",
            "Corrant Edge",
            "Nether Stanmark",
            "Bexmoor",
            "Ferrold Top",
        ),
    ),
)
