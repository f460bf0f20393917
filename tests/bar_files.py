"""Bar files for the tests: as text, and as the mapping TOML makes of it. The bars are invented."""

from __future__ import annotations

import tomllib
from typing import Any

__all__ = ["CONTRACT", "FULL", "MINIMAL", "contract", "full", "minimal"]

# Required keys only.
MINIMAL = """\
name = "minimal bar"
row_spacing = "30 in"

[[sections]]
name = "all"
rows = 8
orifice = "small"

[orifices.small]
diameter = "0.070 in"
discharge_coefficient = 0.62

[pump]
max_flow = "45 gpm"
max_rise = "110 psi"

[meter]
pulses_per_gallon = 700
min_flow = "2 gpm"
max_flow = "60 gpm"

[limits]
max_pressure = "200 psi"
liquid_margin = "5 psi"
speed = "3.5..7.5 mph"
"""

# The bar file of the contract, every value as there.
CONTRACT = """\
name = "..."
row_spacing = "30 in"
nitrogen_fraction = 0.82            # optional
elevation = "900 ft"                # optional

[[sections]]                        # left to right
name = "left"
rows = 5
orifice = "small"                   # a key of [orifices]
feed = { length = "9 ft", bore = "0.75 in", fittings_k = 3.0 }

[orifices.small]
diameter = "0.070 in"
discharge_coefficient = 0.62
coefficient_tolerance = 0.05
land = "1.5 mm"
flash_weight = 0.0
measured = [ { flow = "5.1 lb NH3/min", pressure = "95 psi", temperature = "50 degF" } ]

[row_hose]
back_pressure = "6 psi"

[suction]
head = "1.5 ft"
length = "12 ft"
bore = "1.5 in"
fittings_k = 8.0

[pump]
max_flow = "45 gpm"
max_rise = "110 psi"
min_flow = "3 gpm"

[meter]
pulses_per_gallon = 700
min_flow = "2 gpm"
max_flow = "60 gpm"
reference_temperature = "60 degF"

[control_valve]
cv = 30

[limits]
max_pressure = "200 psi"
liquid_margin = "5 psi"
speed = "3.5..7.5 mph"

[controller]
delay = "0.8 s"
time_constant = "1.5 s"

[tank]
capacity = "1000 gal"
fill = 0.85
"""

# Every key there is, apart from the back pressure that a row hose of known length excludes.
FULL = """\
name = "16-row bar, three sections"
row_spacing = "30 in"
rows = 16
width = "40 ft"
nitrogen_fraction = 0.82
elevation = "900 ft"

[[sections]]
name = "left"
rows = 5
orifice = "small"
feed = { length = "9 ft", bore = "0.75 in", fittings_k = 3.0, roughness = "0.05 mm" }

[[sections]]
name = "middle"
rows = 6
orifice = "small"
feed = { length = "2 ft", bore = "0.75 in", fittings_k = 3.0 }

[[sections]]
name = "right"
rows = 5
orifice = "large"
feed = { length = "9 ft", bore = "0.75 in", fittings_k = 3.0, roughness = "0.05 mm" }

[orifices.small]
diameter = "0.070 in"
discharge_coefficient = 0.62
coefficient_tolerance = 0.05
land = "1.5 mm"
measured = [
  { flow = "5.1 lb NH3/min", pressure = "95 psi", temperature = "50 degF" },
  { flow = "4.2 lb NH3/min", pressure = "60 psi", temperature = "32 degF", flow_tolerance = 0.05 },
]

[orifices.large]
diameter = "0.086 in"
discharge_coefficient = 0.62
flash_weight = 0.3

[orifices.spare]
diameter = "0.110 in"
discharge_coefficient = 0.80
land = "6 mm"
row_spread = 0.03

[row_hose]
length = "8 ft"
bore = "0.375 in"
tolerance = 0.4
outlet = "0.25 in"
outlet_coefficient = 0.8

[suction]
head = "1.5 ft"
length = "12 ft"
bore = "1.5 in"
fittings_k = 8.0
roughness = "0.05 mm"

[pump]
max_flow = "45 gpm"
max_rise = "110 psi"
min_flow = "3 gpm"
efficiency = 0.55
flow_tolerance = 0.05
slip = 0.10

[meter]
pulses_per_gallon = 700
min_flow = "2 gpm"
max_flow = "60 gpm"
reference_temperature = "60 degF"
loss_at_max_flow = "3 psi"

[control_valve]
cv = 30
recovery_factor = 0.85

[limits]
max_pressure = "200 psi"
liquid_margin = "5 psi"
speed = "3.5..7.5 mph"

[controller]
delay = "0.8 s"
time_constant = "1.5 s"

[tank]
capacity = "1000 gal"
fill = 0.80

[[gauges]]
place = "tank"

[[gauges]]
place = "after valve"
zero = "0.5 V"
span = "20 mV/psi"

[[tank_hoses]]
length = "10 ft"
bore = "1.25 in"
fittings_k = 2.0
roughness = "0.05 mm"
couplings = [{ kind = "poppet" }, { k = 4.0 }, { cv = 60 }]

[excess_flow]
closing_flow = "50 gpm"
tolerance = 0.10

[breakaway]
closing_flow = "60 gpm"
tolerance = 0.10

[drive]
full_oil = "14 gpm"
given_oil = "13 gpm"

[bypass]
pump_flow = "5 gpm"
opens_at = "40 psi"
"""


def minimal() -> dict[str, Any]:
    """Return a fresh mapping of the smallest bar file."""
    return tomllib.loads(MINIMAL)


def contract() -> dict[str, Any]:
    """Return a fresh mapping of the contract's bar file."""
    return tomllib.loads(CONTRACT)


def full() -> dict[str, Any]:
    """Return a fresh mapping of the bar file with every key."""
    return tomllib.loads(FULL)
