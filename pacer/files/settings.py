"""Read the rider file and the race file; apply single values from the command line.

Every fault of a file is told in one line, with key, value and range. What isn't given and had to be assumed
comes back as sentences for the plan.
"""

from __future__ import annotations

from pacer.files._race_settings import (
    RaceSettings,
    default_race,
    override_race,
    race_from_tables,
    read_race_file,
)
from pacer.files._rider_settings import (
    RiderSettings,
    default_rider,
    read_rider_file,
    rider_from_tables,
)

__all__ = [
    "RaceSettings",
    "RiderSettings",
    "default_race",
    "default_rider",
    "override_race",
    "race_from_tables",
    "read_race_file",
    "read_rider_file",
    "rider_from_tables",
]
