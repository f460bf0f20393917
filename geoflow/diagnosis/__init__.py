"""What an as-applied log tells about the bar: liquid lost, valve, orifices, transmitters, suction.

Flow and pressures are logged for the whole bar, so every finding speaks of the whole bar. Pressures are absolute.
"""

from geoflow.diagnosis.findings import Finding
from geoflow.diagnosis.judging import diagnose, lost_liquid
from geoflow.diagnosis.orifices import AreaSeries, effective_area, orifice_drift
from geoflow.diagnosis.pressures import liquid_margin_lost, transmitter_zero, valve_drop
from geoflow.diagnosis.suction import suction_starving

__all__ = [
    "AreaSeries",
    "Finding",
    "diagnose",
    "effective_area",
    "liquid_margin_lost",
    "lost_liquid",
    "orifice_drift",
    "suction_starving",
    "transmitter_zero",
    "valve_drop",
]
