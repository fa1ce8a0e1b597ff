"""A small electric oven as a network of heat: heater, brick, air, thermocouple, canister wall, pack, steel.

Every node holds heat, every link carries it; one implicit step solves the whole network. The heat that each link
moved is then booked into both of its ends, so heat in = heat stored + heat lost to rounding, also through the
peak of the steel's heat capacity at its transformation. Pure: no clock, no files, no global state.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.canister import (
    PACK_CELLS,
    STEEL_CONDUCTIVITY_W_PER_MK,
    STEEL_DENSITY_KG_PER_M3,
    STEFAN_BOLTZMANN_W_PER_M2K4,
    Canister,
)
from sim.errors import BadInput
from sim.thermocouple import ZERO_CELSIUS_K

FloatArray = NDArray[np.float64]

BRICK_CELLS = 6

# Places in the arrays of nodes.
HEATER, FACE = 0, 1
BRICK = 2
AIR = BRICK + BRICK_CELLS
THERMOCOUPLE = AIR + 1
WALL = THERMOCOUPLE + 1
PACK = WALL + 1
STEEL = PACK + PACK_CELLS
NODES = STEEL + 1


@dataclass(frozen=True, slots=True)
class OvenBuild:
    """How the oven is built; the defaults are a 2.4 kW bench oven with a 150 x 150 x 300 mm chamber.

    `radiating_area_m2` is the area of the elements that the chamber sees. Brick conductivity is that of a light
    insulating brick: `brick_conductivity_W_per_mK` at 0 C, rising by the slope (handbook order, from memory).
    """

    heater_power_W: float = 2400.0
    heater_mass_kg: float = 0.40
    heater_heat_capacity_J_per_kgK: float = 650.0
    radiating_area_m2: float = 0.08
    chamber_width_m: float = 0.15
    chamber_height_m: float = 0.15
    chamber_depth_m: float = 0.30
    brick_thickness_m: float = 0.085
    brick_density_kg_per_m3: float = 560.0
    brick_heat_capacity_J_per_kgK: float = 1050.0
    brick_conductivity_W_per_mK: float = 0.14
    brick_conductivity_slope_W_per_mK2: float = 1.3e-4
    emissivity: float = 0.85
    convection_W_per_m2K: float = 8.0
    outside_film_W_per_m2K: float = 10.0
    leak_W_per_K: float = 0.06
    thermocouple_diameter_m: float = 0.0045
    thermocouple_length_m: float = 0.05
    room_temperature_K: float = 293.15

    @property
    def inside_area_m2(self) -> float:
        """Area of the chamber's inside [m2]."""
        return self._area_at_depth_m2(0.0)

    @property
    def outside_area_m2(self) -> float:
        """Area of the brick's outside [m2]."""
        return self._area_at_depth_m2(self.brick_thickness_m)

    def _area_at_depth_m2(self, depth_m: float) -> float:
        width, height, long = (
            size + 2 * depth_m for size in (self.chamber_width_m, self.chamber_height_m, self.chamber_depth_m)
        )
        return 2 * (width * height + width * long + height * long)

    def brick_faces_m(self) -> FloatArray:
        """Depth of the faces between brick cells, from the chamber out [m]: thin where the fire is."""
        widths = 1.55 ** np.arange(BRICK_CELLS)
        return np.concatenate(([0.0], np.cumsum(widths / widths.sum()))) * self.brick_thickness_m

    def brick_resistance_m(self, from_m: float, to_m: float) -> float:
        """Integral of depth over area between two depths [1/m]; divided by a conductivity it is K/W."""
        # Gauss points are exact enough: the area is a quadratic of the depth.
        points, weights = np.polynomial.legendre.leggauss(8)
        half = (to_m - from_m) / 2
        depths = from_m + half * (points + 1)
        return float(sum(w * half / self._area_at_depth_m2(float(d)) for d, w in zip(depths, weights, strict=True)))

    def brick_volume_m3(self, from_m: float, to_m: float) -> float:
        """Volume of brick between two depths [m3]."""
        points, weights = np.polynomial.legendre.leggauss(8)
        half = (to_m - from_m) / 2
        depths = from_m + half * (points + 1)
        return float(sum(w * half * self._area_at_depth_m2(float(d)) for d, w in zip(depths, weights, strict=True)))


def steel_heat_capacity_J_per_kgK(temperature_K: FloatArray) -> FloatArray:
    """Heat capacity of carbon steel with its peak at the transformation.

    Parameters
    ----------
    temperature_K : array, shape (n,)    steel temperature [K]; made for 293 to 1473, constant beyond

    Returns    array, shape (n,)         heat capacity [J/kg/K]
    Source     EN 1993-1-2:2005, 3.4.1.2 (2), equations 3.2a to 3.2d; values from memory, checked against the
               standard's own limits (650 J/kg/K above 900 C, 5000 at 735 C)
    """
    theta = np.clip(np.asarray(temperature_K, dtype=float) - ZERO_CELSIUS_K, 20.0, 1200.0)
    with np.errstate(divide="ignore"):
        return np.select(
            [theta < 600.0, theta < 735.0, theta < 900.0],
            [
                425.0 + 0.773 * theta - 1.69e-3 * theta**2 + 2.22e-6 * theta**3,
                666.0 + 13002.0 / (738.0 - theta),
                545.0 + 17820.0 / (theta - 731.0),
            ],
            650.0,
        )


def _steel_enthalpy_table() -> tuple[FloatArray, FloatArray]:
    """Temperatures [K] and specific enthalpies above 0 K on the extrapolated curve [J/kg]."""
    temperatures = np.concatenate((np.array([0.0]), np.linspace(273.15, 1673.15, 2801)))
    capacity = steel_heat_capacity_J_per_kgK(0.5 * (temperatures[:-1] + temperatures[1:]))
    enthalpies = np.concatenate((np.array([0.0]), np.cumsum(capacity * np.diff(temperatures))))
    return temperatures, enthalpies


_STEEL_K, _STEEL_J_PER_KG = _steel_enthalpy_table()
_STEEL_SLOPE_J_PER_KGK = np.diff(_STEEL_J_PER_KG) / np.diff(_STEEL_K)


@dataclass(frozen=True, slots=True)
class OvenState:
    """All the heat in the oven at one moment; `heat_in_J` and `heat_lost_J` are the books since the start.

    temperature_K    (NODES,)    temperature of every node [K]
    heat_J           (NODES,)    heat in every node above 0 K [J]
    """

    temperature_K: FloatArray
    heat_J: FloatArray
    heat_in_J: float = 0.0
    heat_lost_J: float = 0.0

    @property
    def oven_K(self) -> float:
        """What the oven's own thermocouple feels [K]."""
        return float(self.temperature_K[THERMOCOUPLE])

    @property
    def steel_K(self) -> float:
        """The true temperature of the steel inside [K]."""
        return float(self.temperature_K[STEEL])

    @property
    def canister_wall_K(self) -> float:
        """The canister's outside [K]."""
        return float(self.temperature_K[WALL])

    @property
    def shell_K(self) -> float:
        """The outermost brick, where the terminals are [K]."""
        return float(self.temperature_K[AIR - 1])


class Oven:
    """The network of one oven with its canister: fixed numbers only, the state goes in and comes out."""

    def __init__(self, build: OvenBuild | None = None, canister: Canister | None = None) -> None:
        self.build = build = build if build is not None else OvenBuild()
        self.canister = canister = canister if canister is not None else Canister()
        if canister.outer_area_m2 > 1.2 * build.inside_area_m2:
            raise BadInput(
                "canister", f"{canister.outer_area_m2:.3f} m2 outside", f"one that fits {build.inside_area_m2:.3f} m2"
            )
        cells = canister.cells()
        faces = build.brick_faces_m()
        centres = 0.5 * (faces[:-1] + faces[1:])

        # Heat capacity of each node is a + b T; steel nodes follow their table instead.
        self._a = np.zeros(NODES)
        self._b = np.zeros(NODES)
        self._steel_kg = np.zeros(NODES)
        self._a[HEATER] = build.heater_mass_kg * build.heater_heat_capacity_J_per_kgK
        for i in range(BRICK_CELLS):
            volume = build.brick_volume_m3(float(faces[i]), float(faces[i + 1]))
            self._a[BRICK + i] = volume * build.brick_density_kg_per_m3 * build.brick_heat_capacity_J_per_kgK
        chamber_m3 = build.chamber_width_m * build.chamber_height_m * build.chamber_depth_m
        self._a[AIR] = chamber_m3 * 0.35 * 1150.0  # hot air, about 0.35 kg/m3
        tip_m3 = math.pi / 4 * build.thermocouple_diameter_m**2 * build.thermocouple_length_m
        self._a[THERMOCOUPLE] = tip_m3 * 3.6e6  # sheath, magnesia and wires: 3.6 MJ/m3/K, from memory
        steel = STEEL_DENSITY_KG_PER_M3 * canister.steel_heat_factor
        self._steel_kg[WALL] = cells.wall_volume_m3 * steel
        self._steel_kg[STEEL] = cells.steel_volume_m3 * steel
        if canister.is_bare:
            self._steel_kg[PACK:STEEL] = cells.pack_volume_m3 * steel
        else:
            mass = cells.pack_volume_m3 * canister.pack_density_kg_per_m3
            self._a[PACK:STEEL] = mass * canister.pack_heat_capacity_J_per_kgK
            self._b[PACK:STEEL] = mass * canister.pack_heat_capacity_slope_J_per_kgK2
        self._is_steel = self._steel_kg > 0
        self._steel_nodes = np.flatnonzero(self._is_steel)
        self._plain_nodes = np.flatnonzero(~self._is_steel & (self._a > 0))

        # Links: ends, and one of radiation [m2], fixed conductance [W/K], brick [m] or pack [m].
        links: list[tuple[int, int, float, float, float, float]] = []
        can, inside, film = canister.outer_area_m2, build.inside_area_m2, build.convection_W_per_m2K
        can_exchange = can / (1 / canister.emissivity + can / inside * (1 / build.emissivity - 1))
        to_can = 0.7 * can / (can + inside)  # elements lie in grooves: they see the can less than the brick does
        heater = build.radiating_area_m2 * build.emissivity
        tip = math.pi * build.thermocouple_diameter_m * build.thermocouple_length_m
        links.append((HEATER, FACE, heater * (1 - to_can), 0.0, 0.0, 0.0))
        links.append((HEATER, WALL, heater * to_can, 0.0, 0.0, 0.0))
        links.append((FACE, WALL, can_exchange * (1 - 0.5 * to_can), 0.0, 0.0, 0.0))
        links.append((HEATER, AIR, 0.0, film * build.radiating_area_m2, 0.0, 0.0))
        links.append((FACE, AIR, 0.0, film * inside, 0.0, 0.0))
        links.append((WALL, AIR, 0.0, film * can, 0.0, 0.0))
        links.append((FACE, THERMOCOUPLE, 0.65 * tip * 0.8, 0.0, 0.0, 0.0))
        links.append((HEATER, THERMOCOUPLE, 0.10 * tip * 0.8, 0.0, 0.0, 0.0))
        links.append((WALL, THERMOCOUPLE, 0.25 * tip * 0.8, 0.0, 0.0, 0.0))
        links.append((AIR, THERMOCOUPLE, 0.0, 2.5 * film * tip, 0.0, 0.0))  # a thin rod: a higher film
        depth = np.concatenate(([0.0], centres))
        for i in range(BRICK_CELLS):
            geometry = 1.0 / build.brick_resistance_m(float(depth[i]), float(depth[i + 1]))
            links.append((FACE if i == 0 else BRICK + i - 1, BRICK + i, 0.0, 0.0, geometry, 0.0))
        for i in range(PACK_CELLS + 1):
            links.append((WALL + i, WALL + i + 1, 0.0, 0.0, 0.0, float(cells.link_m[i])))
        table = np.array(links)
        self._from = table[:, 0].astype(int)
        self._to = table[:, 1].astype(int)
        count = len(links)
        self._radiation_WK4 = table[:, 2] * STEFAN_BOLTZMANN_W_PER_M2K4
        self._fixed_W_per_K = table[:, 3]
        brick, pack = table[:, 4], table[:, 5]
        k0, k1 = build.brick_conductivity_W_per_mK, build.brick_conductivity_slope_W_per_mK2
        # Brick conductivity k0 + k1 (T - 273.15) and pack conductivity c + 4 sigma d T^3 in one cubic per link.
        if canister.is_bare:
            pack_k, pack_glow = STEEL_CONDUCTIVITY_W_PER_MK, 0.0
        else:
            pack_k = canister.pack_conductivity_W_per_mK
            pack_glow = 4 * STEFAN_BOLTZMANN_W_PER_M2K4 * canister.pack_radiation_length_m
        self._fixed_W_per_K = self._fixed_W_per_K + brick * (k0 - k1 * ZERO_CELSIUS_K) + pack * pack_k
        self._slope_W_per_K2 = brick * k1
        self._cubic_W_per_K4 = pack * pack_glow
        self._incidence = np.zeros((count, NODES))
        self._incidence[np.arange(count), self._from] = 1.0
        self._incidence[np.arange(count), self._to] = -1.0
        self._incidence_T = np.ascontiguousarray(self._incidence.T)

        last = build.brick_resistance_m(float(centres[-1]), build.brick_thickness_m)
        self._last_brick_m_inverse = last
        self._film_K_per_W = 1.0 / (build.outside_film_W_per_m2K * build.outside_area_m2)

    @property
    def cell_distance_m(self) -> FloatArray:
        """Distance of canister wall, pack cells and steel from the middle [m], shape (PACK_CELLS + 2,)."""
        return self.canister.cells().distance_m

    def at_rest(self, temperature_K: float | FloatArray | None = None) -> OvenState:
        """The oven at one temperature [K], or at one for each node (NODES,); at room temperature if none is given."""
        start = self.build.room_temperature_K if temperature_K is None else temperature_K
        temperature = np.array(np.broadcast_to(np.asarray(start, dtype=np.float64), (NODES,)))
        return OvenState(temperature, self._heat_J(temperature))

    def _heat_J(self, temperature_K: FloatArray) -> FloatArray:
        heat = temperature_K * (self._a + 0.5 * self._b * temperature_K)
        steel = self._steel_nodes
        heat[steel] = self._steel_kg[steel] * np.interp(temperature_K[steel], _STEEL_K, _STEEL_J_PER_KG)
        return heat

    def conductances_W_per_K(self, temperature_K: FloatArray) -> FloatArray:
        """Conductance of every link at these temperatures [W/K], shape (links,)."""
        one, other = temperature_K[self._from], temperature_K[self._to]
        mean = 0.5 * (one + other)
        radiation: FloatArray = self._radiation_WK4 * (one * one + other * other) * (2 * mean)
        conduction: FloatArray = mean * (self._slope_W_per_K2 + self._cubic_W_per_K4 * mean * mean)
        total: FloatArray = radiation + conduction + self._fixed_W_per_K
        return total

    def loss_W_per_K(self, temperature_K: FloatArray) -> tuple[float, float]:
        """Conductance to the room of the outermost brick and of the air (leaks) [W/K]."""
        build = self.build
        shell = float(temperature_K[AIR - 1])
        k = build.brick_conductivity_W_per_mK + build.brick_conductivity_slope_W_per_mK2 * (shell - ZERO_CELSIUS_K)
        return 1.0 / (self._last_brick_m_inverse / k + self._film_K_per_W), build.leak_W_per_K

    def advance(self, state: OvenState, power_W: float, duration_s: float, open_door_W_per_K: float = 0.0) -> OvenState:
        """One implicit step of `duration_s` [s] with `power_W` [W] in the heater; keep it to a few seconds.

        An open door lets heat out of the air and, by radiation, of the chamber's face, half each.
        The state that is passed in is left as it was. Heat is conserved to rounding at any step length; the
        temperatures are first order in it.
        """
        build = self.build
        T = state.temperature_K
        shell_loss, air_loss = self.loss_W_per_K(T)
        face_loss = 0.5 * open_door_W_per_K
        air_loss += face_loss
        G = self.conductances_W_per_K(T)
        laplacian = (self._incidence_T * G) @ self._incidence
        steel = self._steel_nodes
        capacity = self._a + self._b * T
        # The slope of the very table that turns heat into temperature: the two must agree.
        place = np.searchsorted(_STEEL_K, T[steel], side="right") - 1
        capacity[steel] = self._steel_kg[steel] * _STEEL_SLOPE_J_PER_KGK[np.minimum(place, len(_STEEL_K) - 2)]
        matrix = laplacian.copy()
        matrix.flat[:: NODES + 1] += capacity / duration_s
        right = capacity / duration_s * T
        matrix[AIR - 1, AIR - 1] += shell_loss
        matrix[AIR, AIR] += air_loss
        right[AIR - 1] += shell_loss * build.room_temperature_K
        right[AIR] += air_loss * build.room_temperature_K
        matrix[FACE, FACE] += face_loss
        right[FACE] += face_loss * build.room_temperature_K
        right[HEATER] += power_W
        solved = np.linalg.solve(matrix, right)
        flow = -(laplacian @ solved)
        lost_shell = shell_loss * (float(solved[AIR - 1]) - build.room_temperature_K)
        lost_air = air_loss * (float(solved[AIR]) - build.room_temperature_K)
        lost_face = face_loss * (float(solved[FACE]) - build.room_temperature_K)
        flow[HEATER] += power_W
        flow[AIR - 1] -= lost_shell
        flow[AIR] -= lost_air
        flow[FACE] -= lost_face
        heat = state.heat_J + duration_s * flow
        temperature: FloatArray = np.asarray(solved, dtype=np.float64)
        plain = self._plain_nodes
        a, b, h = self._a[plain], self._b[plain], heat[plain]
        temperature[plain] = 2 * h / (a + np.sqrt(a * a + 2 * b * h))
        temperature[steel] = np.interp(heat[steel] / self._steel_kg[steel], _STEEL_J_PER_KG, _STEEL_K)
        return OvenState(
            temperature,
            heat,
            state.heat_in_J + duration_s * power_W,
            state.heat_lost_J + duration_s * (lost_shell + lost_air + lost_face),
        )


def random_build(rng: np.random.Generator) -> OvenBuild:
    """An oven as small shops have them, drawn at random; the same generator state gives the same one."""
    return OvenBuild(
        heater_power_W=rng.uniform(2200.0, 3200.0),
        radiating_area_m2=rng.uniform(0.06, 0.11),
        chamber_width_m=rng.uniform(0.13, 0.18),
        chamber_height_m=rng.uniform(0.13, 0.18),
        chamber_depth_m=rng.uniform(0.26, 0.36),
        brick_thickness_m=rng.uniform(0.075, 0.11),
        brick_density_kg_per_m3=rng.uniform(450.0, 700.0),
        brick_conductivity_W_per_mK=rng.uniform(0.11, 0.17),
        emissivity=rng.uniform(0.75, 0.92),
        convection_W_per_m2K=rng.uniform(6.0, 12.0),
        leak_W_per_K=rng.uniform(0.03, 0.12),
        thermocouple_diameter_m=rng.uniform(0.003, 0.006),
        room_temperature_K=rng.uniform(280.0, 303.0),
    )
