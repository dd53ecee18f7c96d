"""Grain in a bin as a resistance to air.

ASAE/ASABE D272.3, "Resistance to Airflow of Grains, Seeds, Other Agricultural Products, and Perforated Metal Sheets":
pressure drop per depth = a V^2 / ln(1 + b V), V the air speed over the whole floor. Constants from memory of the
standard; those of shelled corn are confirmed by the University of Nebraska table that the tests carry. The curves are
for loose, clean, fairly dry grain; packing in a bin may add half (notes of the standard).
"""

from __future__ import annotations

import math

from simulated.compiled import compiled

# grain: a (Pa s2/m3), b (m2 s/m3)
GRAINS = {
    "corn": (2.07e4, 30.4),
    "wheat": (2.70e4, 8.77),
    "soybeans": (1.02e4, 16.0),
    "barley": (2.14e4, 13.2),
    "oats": (2.41e4, 13.9),
    "sorghum": (2.12e4, 8.06),
    "rice": (2.57e4, 13.2),
    "sunflower": (2.49e4, 23.7),
}


@compiled
def drop(a: float, b: float, packing: float, depth: float, speed: float) -> float:
    """Pressure drop through a bed (Pa). depth in m (0 and up), speed over the whole floor in m/s (0 and up)."""
    if speed <= 0.0 or depth <= 0.0:
        return 0.0
    return packing * depth * a * speed * speed / math.log(1.0 + b * speed)
