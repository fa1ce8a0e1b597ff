"""What stands in the simulated oven: a tube or box of powder with steel in the middle, or a bare piece.

The canister is cut into a wall, `PACK_CELLS` rings (or layers) of powder and one lump of steel: the steel conducts
a hundred times better than the powder around it, so its own gradient is small. Everything is SI.
"""

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sim.errors import BadInput

FloatArray = NDArray[np.float64]
Shape = Literal["tube", "box", "bare round", "bare plate"]

PACK_CELLS = 8
STEEL_DENSITY_KG_PER_M3 = 7850.0
STEEL_CONDUCTIVITY_W_PER_MK = 28.0  # low-carbon steel near 800 to 900 C, handbook value from memory
STEFAN_BOLTZMANN_W_PER_M2K4 = 5.670374419e-8  # CODATA 2018, exact


@dataclass(frozen=True, slots=True)
class Canister:
    """One canister and its load, or a bare piece (then the pack and wall values are not used).

    outer_size_m                    tube and bare round: outside diameter; box and bare plate: the thin outside size
    length_m, width_m               length heated; width of a box or plate (not used by round shapes)
    steel_volume_m3                 all the steel inside; a bare piece is steel throughout
    pack_conductivity_W_per_mK      of the powder, cold; `pack_radiation_length_m` adds 4 sigma d T^3 for the glow
                                    between grains, which is why a pack conducts two or three times better hot
    steel_heat_factor               multiplies the handbook heat capacity of the steel (alloy, slag in wrought iron)
    """

    shape: Shape = "tube"
    outer_size_m: float = 0.060
    length_m: float = 0.20
    width_m: float = 0.10
    wall_thickness_m: float = 0.002
    steel_volume_m3: float = 9.0e-5
    pack_density_kg_per_m3: float = 280.0
    pack_heat_capacity_J_per_kgK: float = 900.0
    pack_heat_capacity_slope_J_per_kgK2: float = 0.75
    pack_conductivity_W_per_mK: float = 0.11
    pack_radiation_length_m: float = 3.5e-4
    emissivity: float = 0.85
    steel_heat_factor: float = 1.0

    def __post_init__(self) -> None:
        for name in ("outer_size_m", "length_m", "width_m", "pack_density_kg_per_m3", "pack_heat_capacity_J_per_kgK"):
            value = getattr(self, name)
            if not value > 0:
                raise BadInput(f"canister: {name}", f"{value:g}", "more than 0")
        if self.is_bare:
            return
        if not 0 < self.wall_thickness_m < self.outer_size_m / 2:
            raise BadInput(
                "canister: wall_thickness_m",
                f"{self.wall_thickness_m:g}",
                f"more than 0, less than half of outer_size_m ({self.outer_size_m / 2:g})",
            )
        if not 0 < self.steel_volume_m3 < 0.95 * self.inside_volume_m3:
            raise BadInput(
                "canister: steel_volume_m3",
                f"{self.steel_volume_m3:g}",
                f"more than 0, less than 95 % of the inside ({0.95 * self.inside_volume_m3:g})",
            )

    @property
    def is_bare(self) -> bool:
        """Whether the piece lies in the oven without canister and pack."""
        return self.shape in ("bare round", "bare plate")

    @property
    def is_round(self) -> bool:
        """Whether heat comes in radially (tube, round) instead of through two faces (box, plate)."""
        return self.shape in ("tube", "bare round")

    @property
    def outer_area_m2(self) -> float:
        """Area that the oven heats [m2]: the mantle of a round, both faces of a flat one."""
        return self._area_m2(self.outer_size_m / 2)

    @property
    def inside_volume_m3(self) -> float:
        """Volume inside the wall [m3]."""
        return self._volume_m3(self.outer_size_m / 2 - self.wall_thickness_m)

    def _area_m2(self, distance_m: float) -> float:
        """Area of the surface that lies `distance_m` from the middle [m2]."""
        return 2 * math.pi * distance_m * self.length_m if self.is_round else 2 * self.width_m * self.length_m

    def _volume_m3(self, distance_m: float) -> float:
        """Volume within `distance_m` of the middle [m3]."""
        if self.is_round:
            return math.pi * distance_m**2 * self.length_m
        return 2 * distance_m * self.width_m * self.length_m

    def cells(self) -> "Cells":
        """The canister cut into cells, from the outside in.

        Raises    BadInput    sizes that cannot be built (checked when the canister is made)
        """
        outer = self.outer_size_m / 2
        if self.is_bare:
            # A skin that faces the oven, then steel down to a core of a tenth of the size.
            wall_inside, steel_edge, wall_volume = 0.98 * outer, 0.1 * outer, self._volume_m3(outer)
            wall_volume -= self._volume_m3(wall_inside)
        else:
            wall_inside = outer - self.wall_thickness_m
            wall_volume = self._volume_m3(outer) - self.inside_volume_m3
            fraction = self.steel_volume_m3 / self.inside_volume_m3
            steel_edge = wall_inside * (math.sqrt(fraction) if self.is_round else fraction)
        faces = np.linspace(wall_inside, steel_edge, PACK_CELLS + 1)
        # The mean temperature of a ring is found at the radius that halves it.
        outside, inside = faces[:-1], faces[1:]
        centres = np.sqrt(0.5 * (outside**2 + inside**2)) if self.is_round else 0.5 * (outside + inside)
        points = np.concatenate(([wall_inside], centres, [steel_edge]))
        if self.is_round:
            geometry = 2 * math.pi * self.length_m / np.log(points[:-1] / points[1:])
        else:
            geometry = 2 * self.width_m * self.length_m / (points[:-1] - points[1:])
        volumes = np.array([self._volume_m3(float(face)) for face in faces])
        return Cells(
            wall_volume_m3=wall_volume,
            pack_volume_m3=volumes[:-1] - volumes[1:],
            link_m=geometry,
            steel_volume_m3=float(volumes[-1]),
            distance_m=np.concatenate(([outer], centres, [0.0])),
        )


@dataclass(frozen=True, slots=True)
class Cells:
    """A canister as numbers for the network of the oven.

    pack_volume_m3    (PACK_CELLS,)        volume of each pack cell, outermost first
    link_m            (PACK_CELLS + 1,)    wall to first cell, cell to cell, last cell to steel: a conductance is
                                           this length times the conductivity [m]
    distance_m        (PACK_CELLS + 2,)    of wall, cell centres and steel from the middle [m]
    """

    wall_volume_m3: float
    pack_volume_m3: FloatArray
    link_m: FloatArray
    steel_volume_m3: float
    distance_m: FloatArray


def random_canister(rng: np.random.Generator) -> Canister:
    """A canister that a small shop might build, drawn at random; the same generator state gives the same one.

    Sizes are tube 40 to 90 mm or box 40 to 80 mm; the spread of the pack (conductivity 0.05 to 0.2 W/m/K cold,
    density 200 to 450 kg/m3) is that of handbooks for charcoal powder, from memory.
    """
    shape: Shape = "tube" if rng.random() < 0.7 else "box"
    size = rng.uniform(0.040, 0.090 if shape == "tube" else 0.080)
    draft = Canister(
        shape=shape,
        outer_size_m=size,
        length_m=rng.uniform(0.12, 0.26),
        width_m=rng.uniform(max(0.07, size), 0.12),
        wall_thickness_m=rng.uniform(0.0012, 0.004),
        steel_volume_m3=1e-6,
        pack_density_kg_per_m3=rng.uniform(200.0, 450.0),
        pack_heat_capacity_J_per_kgK=rng.uniform(750.0, 1000.0),
        pack_heat_capacity_slope_J_per_kgK2=rng.uniform(0.5, 0.9),
        pack_conductivity_W_per_mK=rng.uniform(0.05, 0.20),
        pack_radiation_length_m=rng.uniform(1.5e-4, 6.0e-4),
        emissivity=rng.uniform(0.75, 0.92),
        steel_heat_factor=rng.uniform(0.95, 1.05),
    )
    return replace(draft, steel_volume_m3=draft.inside_volume_m3 * rng.uniform(0.06, 0.30))
