"""Makes the sample scenario: two fields and two bars that exist nowhere.

Run ``python sample_fields/make_scenario.py`` to write the files beside this script anew. Field shapes, zones and
rates come from a seeded random generator; the bars are invented round numbers, and their "measured" points are the
model's own flow at a discharge coefficient of 0.62 and a flashing weight of 0.4, rounded as a person would write them.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import geopandas
import numpy as np
import shapely
from pyproj import CRS

HERE = Path(__file__).parent
SEED = 20260

HERON = """\
# The Heron bar: 16 rows, one orifice size, one measured point.
name = "Heron"
row_spacing = "30 in"
elevation = "1000 ft"
rows = 16

[[sections]]
name = "left"
rows = 5
orifice = "medium"
feed = { length = "9 ft", bore = "0.75 in", fittings_k = 3.0 }

[[sections]]
name = "middle"
rows = 6
orifice = "medium"
feed = { length = "5 ft", bore = "0.75 in", fittings_k = 3.0 }

[[sections]]
name = "right"
rows = 5
orifice = "medium"
feed = { length = "9 ft", bore = "0.75 in", fittings_k = 3.0 }

[orifices.medium]
diameter = "0.070 in"
discharge_coefficient = 0.62
coefficient_tolerance = 0.04
land = "1.5 mm"
measured = [ { flow = "4.8 lb NH3/min", pressure = "95 psi", temperature = "46 degF" } ]

[orifices.wide]
diameter = "0.082 in"
discharge_coefficient = 0.62
coefficient_tolerance = 0.04
land = "1.5 mm"
measured = [ { flow = "6.5 lb NH3/min", pressure = "95 psi", temperature = "46 degF" } ]

[row_hose]
back_pressure = "5..8 psi"

[suction]
head = "1.5 ft"
length = "12 ft"
bore = "1.5 in"
fittings_k = 6.0

[pump]
max_flow = "45 gpm"
max_rise = "110 psi"
min_flow = "3 gpm"

[meter]
pulses_per_gallon = 720
min_flow = "3 gpm"
max_flow = "60 gpm"

[control_valve]
cv = 38

[limits]
max_pressure = "200 psi"
liquid_margin = "5 psi"
speed = "3.5..7 mph"

[controller]
delay = "0.8 s"
time_constant = "1.5 s"

[tank]
capacity = "1450 gal"
"""

WREN = """\
# The Wren bar: 11 rows, two orifice sizes in the box, a small pump, and a meter without temperature correction.
name = "Wren"
row_spacing = "30 in"
elevation = "1000 ft"
rows = 11

[[sections]]
name = "left"
rows = 5
orifice = "small"
feed = { length = "7 ft", bore = "0.625 in", fittings_k = 3.0 }

[[sections]]
name = "right"
rows = 6
orifice = "small"
feed = { length = "7 ft", bore = "0.625 in", fittings_k = 3.0 }

[orifices.small]
diameter = "0.062 in"
discharge_coefficient = 0.62
coefficient_tolerance = 0.04
land = "1.5 mm"
measured = [ { flow = "3.8 lb NH3/min", pressure = "95 psi", temperature = "46 degF" } ]

[orifices.large]
diameter = "0.086 in"
discharge_coefficient = 0.62
land = "1.5 mm"

[row_hose]
length = "7 ft"
bore = "0.375 in"

[suction]
head = "1 ft"
length = "14 ft"
bore = "1.25 in"
fittings_k = 9.0

[pump]
max_flow = "14 gpm"
max_rise = "120 psi"
min_flow = "2 gpm"

[meter]
pulses_per_gallon = 720
min_flow = "2 gpm"
max_flow = "40 gpm"
reference_temperature = "60 degF"

[control_valve]
cv = 20

[limits]
max_pressure = "220 psi"
liquid_margin = "5 psi"
speed = "3.5..7 mph"

[controller]
delay = "0.8 s"
time_constant = "1.5 s"

[tank]
capacity = "1000 gal"
"""


def zones(width: float, height: float, count: int, levels: list[float], seed: int) -> tuple[list, list]:
    """Voronoi cells over a smooth made-up surface, one rate class per cell, with a pond left out."""
    draw = np.random.default_rng(seed)
    points = draw.uniform((0, 0), (width, height), (count, 2))
    field = shapely.Polygon(
        [
            (0, 0.04 * height),
            (0.55 * width, 0),
            (width, 0.06 * height),
            (0.97 * width, height),
            (0.03 * width, 0.93 * height),
        ]
    )
    pond = shapely.Point(0.68 * width, 0.4 * height).buffer(0.05 * height, quad_segs=6)
    cells = shapely.get_parts(shapely.voronoi_polygons(shapely.MultiPoint(points), extend_to=field))
    centres = np.array([[cell.centroid.x / width, cell.centroid.y / height] for cell in cells])
    surface = np.sin(5.1 * centres[:, 0] + 0.7) + np.cos(4.3 * centres[:, 1]) + 0.35 * draw.standard_normal(len(cells))
    rank = np.argsort(np.argsort(surface)) / max(len(cells) - 1, 1)
    chosen = [levels[min(int(share * len(levels)), len(levels) - 1)] for share in rank]
    kept = [(cell.intersection(field).difference(pond), rate) for cell, rate in zip(cells, chosen, strict=True)]
    kept = [(cell, rate) for cell, rate in kept if cell.area > 1.0]
    kept.sort(key=lambda pair: (round(pair[0].centroid.y, 3), round(pair[0].centroid.x, 3)))
    return [cell for cell, _ in kept], [rate for _, rate in kept]


def frame(cells: list, columns: dict, longitude: float, latitude: float, crs: str) -> geopandas.GeoDataFrame:
    local = CRS.from_proj4(f"+proj=laea +lat_0={latitude} +lon_0={longitude} +datum=WGS84 +units=m")
    return geopandas.GeoDataFrame(columns, geometry=cells, crs=local).to_crs(crs)


def day() -> str:
    """A spring day that never was: air and sun by the hour, and a gauge read four times on a tank filled at 38 degF."""
    hours = np.arange(6, 20)
    air = np.round(43.5 - 12.5 * np.cos(np.pi * (hours - 5) / 10.5)).astype(int)
    sun = np.round(np.maximum(660.0 * np.sin(np.pi * (hours - 6) / 13), 0.0), -1).astype(int)
    gauge = {8: 54, 10: 56, 12: 61, 15: 70}
    rows = [f"{h:02d}:00,{a},{s},{gauge.get(h, '')}" for h, a, s in zip(hours.tolist(), air, sun, strict=True)]
    return "\n".join(["hour,air (degF),sun (W/m2),tank gauge (psi)", *rows]) + "\n"


def make(folder: Path) -> None:
    """Write the scenario into a folder."""
    cells, rates = zones(760.0, 420.0, 26, [152.0, 160.0, 168.0, 178.0, 190.0], SEED)
    lantern = frame(cells, {"zone_id": range(1, len(cells) + 1), "lb_n_ac": rates}, -93.3, 42.2, "EPSG:32615")
    lantern.to_file(folder / "lantern_flat.shp", engine="pyogrio")

    cells, rates = zones(540.0, 380.0, 30, [0.0, 70.0, 110.0, 135.0, 150.0, 165.0, 185.0, 215.0, 250.0], SEED + 1)
    kettle = frame(
        cells,
        {
            "block": [f"K{number}" for number in range(1, len(cells) + 1)],
            "soil": [1 + int(rate) % 3 for rate in rates],
            "target": rates,
        },
        -93.24,
        42.23,
        "EPSG:4326",
    )
    kettle.to_file(folder / "kettle_rise.geojson", driver="GeoJSON", engine="pyogrio", COORDINATE_PRECISION=8)
    (folder / "lantern_flat_day.csv").write_text(day(), encoding="utf-8", newline="\n")
    (folder / "heron.toml").write_text(HERON, encoding="utf-8")
    (folder / "wren.toml").write_text(WREN, encoding="utf-8")


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE
    target.mkdir(exist_ok=True)
    make(target)
    if target == HERE:  # what an installed geoflow opens as its sample
        for name in ("kettle_rise.geojson", "wren.toml"):
            shutil.copyfile(HERE / name, HERE.parent / "geoflow" / "web" / "sample" / name)
