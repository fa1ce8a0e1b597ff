"""Canister: how the oven's temperature reaches the steel, through wall and pack.

One line of cells from the middle outwards: the steel as one core, twelve shells of pack, the wall. A tube is made of
cylinder shells, a box of flat ones; heat that comes in through the ends or the other faces as well speeds all of them
up by one factor. Every cell keeps its heat (enthalpy), so what the oven gives is what the cells gain, to rounding.

A step is implicit and second order (two stages that both damp what is stiff), so any step length is stable.
"""

from dataclasses import dataclass
from math import log, pi

import numpy as np

from logger.errors import Fault, InputFault
from logger.estimate.lapack import dptsv
from logger.sheet import RunSheet
from logger.sheet_parts import Canister, CanisterLag, CanisterShape, Piece, Shape
from logger.steel.coefficients import STEEL_DENSITY_KG_PER_M3
from logger.steel.heat import (
    CARBON_ENTHALPY_TABLE,
    COLDEST_TABLE_K,
    CONVECTION,
    EMISSIVITY,
    MOISTURE_FACTOR,
    STEEL_ENTHALPY_TABLE,
    STEFAN_BOLTZMANN_W_PER_M2_K4,
    TABLE_STEP_K,
    Spread,
    pack_bed,
)
from logger.units import FloatArray

PACK_CELLS = 12
"""Shells of pack; twice as many move the steel by less than half a minute (tests/estimate/test_canister.py)."""

STAGE = 1.0 - 0.5**0.5
"""Stage weight that makes the two-stage implicit step second order and strongly damping (Alexander, SIAM J. Numer.
Anal. 14 (1977) 1006, from memory)."""

NEAR_ENOUGH_K = 0.5
MOST_ROUNDS = 12

BETWEEN_PIECES_M = 0.012
"""Pack left between pieces (trade advice: 12 mm, and 25 mm to the wall)."""

MOST_STEEL = 0.6
LEAST_STEEL = 0.01
MOST_FITTED_STEEL = 0.9
NINETY_PERCENT = 1.6448536269514722
"""Half-width of the middle nine tenths of a normal distribution, in standard deviations."""


@dataclass(frozen=True, slots=True, eq=False)
class CanisterParameters:
    """Everything a canister's lag depends on; each array is (members,).

    ``half_m`` outer radius or half width [m]; ``wall_m`` [m]; ``steel_fraction`` of the inside that is steel [-];
    ``contact_W_per_m_K``, ``radiation_length_m``, ``pack_density_kg_per_m3`` of the pack; ``heat_factor`` on the heat
    the pack takes; ``convection_W_per_m2_K`` and ``emissivity`` at the wall; ``ends_conduction`` and ``ends_area``:
    factors (1 or more) for heat through the ends or the other faces, on conduction and on outside area.
    """

    shape: CanisterShape
    half_m: FloatArray
    wall_m: FloatArray
    steel_fraction: FloatArray
    contact_W_per_m_K: FloatArray
    radiation_length_m: FloatArray
    pack_density_kg_per_m3: FloatArray
    heat_factor: FloatArray
    convection_W_per_m2_K: FloatArray
    emissivity: FloatArray
    ends_conduction: FloatArray
    ends_area: FloatArray

    @property
    def members(self) -> int:
        """Number of canisters described."""
        return int(self.half_m.size)


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """A canister cut into cells, per metre of tube or square metre of box; arrays (members, cells) or less by one.

    ``mass_kg`` of each cell (pack: with its heat factor), ``shape_factor_m`` of each inner face, ``contact`` and
    ``ray`` of the pack's conductivity, ``convection_W_per_K`` and ``emission_W_per_K4`` of the outside (members,).
    """

    mass_kg: FloatArray
    shape_factor_m: FloatArray
    contact_W_per_m_K: FloatArray
    ray_W_per_m_per_K4: FloatArray
    convection_W_per_K: FloatArray
    emission_W_per_K4: FloatArray
    table_offset: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class CanisterState:
    """Temperature [K] and heat [J] of each cell (members, cells), and all heat [J] the oven gave so far (members,)."""

    temperature_K: FloatArray
    heat_J: FloatArray
    supplied_J: FloatArray

    @property
    def steel_K(self) -> FloatArray:
        """Steel temperature (members,) [K]."""
        return self.temperature_K[:, 0]


def cells(parameters: CanisterParameters, pack_cells: int = PACK_CELLS) -> Cells:
    """Cut a canister into cells.

    Parameters
    ----------
    parameters : CanisterParameters
    pack_cells : number of shells of pack

    Returns    Cells
    """
    m, n = parameters.members, pack_cells
    inner = parameters.half_m - parameters.wall_m
    tube = parameters.shape is CanisterShape.TUBE
    core = inner * (np.sqrt(parameters.steel_fraction) if tube else parameters.steel_fraction)
    edges = core[:, None] + (inner - core)[:, None] * (np.arange(n + 1) / n)
    middles = 0.5 * (edges[:, 1:] + edges[:, :-1])
    stops = np.concatenate([core[:, None], middles, inner[:, None]], axis=1)
    if tube:
        volume = pi * (edges[:, 1:] ** 2 - edges[:, :-1] ** 2)
        core_volume, wall_volume = pi * core**2, pi * (parameters.half_m**2 - inner**2)
        shape_factor = 2.0 * pi / np.log(stops[:, 1:] / stops[:, :-1])
        outside = 2.0 * pi * parameters.half_m
    else:
        volume = edges[:, 1:] - edges[:, :-1]
        core_volume, wall_volume = core, parameters.wall_m
        shape_factor = 1.0 / (stops[:, 1:] - stops[:, :-1])
        outside = np.ones(m)
    mass = np.empty((m, n + 2))
    mass[:, 0] = core_volume * STEEL_DENSITY_KG_PER_M3
    mass[:, 1:-1] = volume * (parameters.pack_density_kg_per_m3 * parameters.heat_factor)[:, None]
    mass[:, -1] = wall_volume * STEEL_DENSITY_KG_PER_M3 * parameters.ends_area
    outside = outside * parameters.ends_area
    table_offset = np.full(n + 2, STEEL_ENTHALPY_TABLE.size, dtype=np.int64)
    table_offset[[0, -1]] = 0
    return Cells(
        mass_kg=mass,
        shape_factor_m=shape_factor * parameters.ends_conduction[:, None],
        contact_W_per_m_K=np.ascontiguousarray(parameters.contact_W_per_m_K[:, None]),
        ray_W_per_m_per_K4=4.0 * STEFAN_BOLTZMANN_W_PER_M2_K4 * parameters.radiation_length_m[:, None],
        convection_W_per_K=parameters.convection_W_per_m2_K * outside,
        emission_W_per_K4=parameters.emissivity * STEFAN_BOLTZMANN_W_PER_M2_K4 * outside,
        table_offset=table_offset,
    )


_TABLE = np.concatenate([STEEL_ENTHALPY_TABLE, CARBON_ENTHALPY_TABLE])
_RISE = np.concatenate([np.diff(STEEL_ENTHALPY_TABLE), [0.0], np.diff(CARBON_ENTHALPY_TABLE), [0.0]])
_LAST = STEEL_ENTHALPY_TABLE.size - 2


def _heat(cut: Cells, T: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Heat [J] and heat capacity [J/K] of each cell at temperatures (members, cells) [K]."""
    place = (T - COLDEST_TABLE_K) * (1.0 / TABLE_STEP_K)
    row = np.minimum(np.maximum(place, 0.0), _LAST).astype(np.int64)
    at = row + cut.table_offset
    rise = _RISE[at]
    return cut.mass_kg * (_TABLE[at] + (place - row) * rise), cut.mass_kg * (rise * (1.0 / TABLE_STEP_K))


def at_rest(cut: Cells, temperature_K: float) -> CanisterState:
    """A canister that has come to one temperature [K] throughout."""
    T = np.full_like(cut.mass_kg, temperature_K)
    return CanisterState(T, _heat(cut, T)[0], np.zeros(len(T)))


def step(
    cut: Cells, state: CanisterState, duration_s: float, oven_from_K: FloatArray, oven_to_K: FloatArray
) -> CanisterState:
    """One step under an oven temperature that runs along a straight line.

    Parameters
    ----------
    cut : Cells
    state : CanisterState                  not changed
    duration_s : length of the step [s]
    oven_from_K, oven_to_K : (members,)    ends of the line [K]

    Returns    CanisterState               after the step
    """
    inner = STAGE * duration_s
    oven_1 = oven_from_K + STAGE * (oven_to_K - oven_from_K)
    T_1, flow_1, given_1 = _stage(cut, state.temperature_K, state.heat_J, inner, oven_1)
    known = state.heat_J + (duration_s - inner) * flow_1
    T_2, flow_2, given_2 = _stage(cut, T_1, known, inner, oven_to_K)
    heat_J = known + inner * flow_2
    # The heat is what counts; the temperature follows it.
    stored, capacity = _heat(cut, T_2)
    supplied = state.supplied_J + ((duration_s - inner) * given_1 + inner * given_2)
    return CanisterState(T_2 + (heat_J - stored) / capacity, heat_J, supplied)


def _stage(
    cut: Cells, T: FloatArray, known_J: FloatArray, inner_s: float, oven_K: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Solve heat(T) = known + inner * flow(T); returns T, flow [W] into each cell, and from the oven [W]."""
    m, n = T.shape
    between = np.zeros((m, n))
    for _ in range(MOST_ROUNDS):
        stored, capacity = _heat(cut, T)
        face_K = 0.5 * (T[:, 1:] + T[:, :-1])
        conductance = cut.shape_factor_m * (cut.contact_W_per_m_K + cut.ray_W_per_m_per_K4 * (face_K * face_K * face_K))
        wall_K = T[:, -1]
        outside = cut.convection_W_per_K + cut.emission_W_per_K4 * (
            (oven_K * oven_K + wall_K * wall_K) * (oven_K + wall_K)
        )
        coupling = inner_s * conductance
        diagonal = capacity.copy()
        diagonal[:, :-1] += coupling
        diagonal[:, 1:] += coupling
        diagonal[:, -1] += inner_s * outside
        # The members lie end to end with nothing between them: one call solves them all.
        np.negative(coupling, out=between[:, :-1])
        right = known_J - stored + capacity * T
        right[:, -1] += inner_s * outside * oven_K
        solved = dptsv(diagonal.ravel(), between.ravel()[:-1], right.ravel())[2].reshape(m, n)
        change_K = float(np.abs(solved - T).max())
        T = solved
        if change_K < NEAR_ENOUGH_K:
            break
    inwards = conductance * (T[:, 1:] - T[:, :-1])
    given = outside * (oven_K - T[:, -1])
    flow = np.empty((m, n))
    flow[:, :-1] = inwards
    flow[:, -1] = given
    flow[:, 1:] -= inwards
    return T, flow, given


# Parameters from the sheet


def _drawn(spread: Spread, z: FloatArray) -> FloatArray:
    """A coefficient at z standard deviations (members,) of the logarithm; its value at 0."""
    return spread.value * np.exp(z * (log(spread.high / spread.low) / (2.0 * NINETY_PERCENT)))


def draw_canisters(rng: np.random.Generator, sheet: RunSheet, members: int) -> CanisterParameters:
    """Canisters the sheet's may be, from the stated spreads; member 0 is the nominal one.

    Parameters
    ----------
    rng : random generator, seeded by the caller
    sheet : RunSheet                       canister and piece
    members : how many, at least 1

    Returns    CanisterParameters
    Raises     InputFault                  a canister that cannot be
    """
    if sheet.canister.outer_m is None:
        raise InputFault(Fault("canister.outer", "nothing", "the canister's outer size"))
    canister, piece, outer_m = sheet.canister, sheet.piece, sheet.canister.outer_m
    bed = pack_bed(canister.pack_kind)
    # One row of normal and one of even numbers per coefficient, always all of them: a sheet that states one more
    # thing leaves every other draw as it was.
    z = rng.standard_normal((6, members))
    u = rng.random((4, members))
    z[:, 0], u[:, 0] = 0.0, 0.5
    inside_m = outer_m - 2.0 * canister.wall_m
    tube = canister.shape is CanisterShape.TUBE
    length_m = outer_m * 1.5 * (8.0 / 1.5) ** u[1] if canister.length_m is None else np.full(members, canister.length_m)
    other_m = outer_m * 6.0 ** u[2]
    steel = _steel_fraction(canister, piece, inside_m, length_m, other_m, u[0], u[3])
    if tube:
        # Rates of two directions add: (2.405 / R)^2 and (pi / L)^2 (product of one-term series).
        ends_conduction = 1.0 + (pi / length_m) ** 2 / (2.405 / (outer_m / 2.0)) ** 2
        ends_area = 1.0 + (outer_m / 2.0) / length_m
    else:
        ends_conduction = 1.0 + (outer_m / length_m) ** 2 + (outer_m / other_m) ** 2
        ends_area = 1.0 + outer_m / length_m + outer_m / other_m
    lag = canister.lag
    if lag is None:
        contact, ray = _drawn(bed.contact_W_per_m_K, z[0]), _drawn(bed.radiation_length_m, z[1])
        convection, emissivity = _drawn(CONVECTION, z[3]), np.minimum(_drawn(EMISSIVITY, z[4]), 1.0)
        density, heat_factor = _drawn(bed.density_kg_per_m3, z[2]), _drawn(MOISTURE_FACTOR, z[5])
    else:
        together = lag_scatter(lag) @ z[[0, 3, 5]]
        conductivity, exchange = lag.conductivity * np.exp(together[0]), lag.exchange * np.exp(together[1])
        contact, ray = bed.contact_W_per_m_K.value * conductivity, bed.radiation_length_m.value * conductivity
        convection, emissivity = CONVECTION.value * exchange, EMISSIVITY.value * exchange
        density = np.full(members, bed.density_kg_per_m3.value)
        heat_factor = np.full(members, MOISTURE_FACTOR.value)
        # What was fitted stands for this load and its ends: they do not vary on top of it.
        steel = np.minimum(steel[0] * lag.steel * np.exp(together[2]), MOST_FITTED_STEEL)
        ends_conduction, ends_area = np.full(members, ends_conduction[0]), np.full(members, ends_area[0])
    return CanisterParameters(
        shape=canister.shape,
        half_m=np.full(members, outer_m / 2.0),
        wall_m=np.full(members, canister.wall_m),
        steel_fraction=steel,
        contact_W_per_m_K=contact * canister.fill,
        radiation_length_m=ray,
        pack_density_kg_per_m3=density * canister.fill,
        heat_factor=heat_factor,
        convection_W_per_m2_K=convection,
        emissivity=emissivity,
        ends_conduction=ends_conduction,
        ends_area=ends_area,
    )


def repeated(parameters: CanisterParameters, members: int) -> CanisterParameters:
    """One canister as ``members`` equal ones.

    Parameters
    ----------
    parameters : CanisterParameters        of one member
    members : how many

    Returns    CanisterParameters
    """
    arrays = {
        name: np.full(members, getattr(parameters, name)[0])
        for name in CanisterParameters.__dataclass_fields__
        if name != "shape"
    }
    return CanisterParameters(shape=parameters.shape, **arrays)


def lag_scatter(lag: CanisterLag) -> FloatArray:
    """Matrix (3, 3) [-] that turns three independent draws into log factors with a lag's spreads and correlations."""
    spread = np.array([lag.conductivity_spread, lag.exchange_spread, lag.steel_spread])
    with_exchange, with_steel, exchange_steel = lag.correlation
    together = np.array(
        [[1.0, with_exchange, with_steel], [with_exchange, 1.0, exchange_steel], [with_steel, exchange_steel, 1.0]]
    )
    values, directions = np.linalg.eigh(together * np.outer(spread, spread))
    return np.asarray(directions * np.sqrt(np.maximum(values, 0.0)))


def nominal_canister(sheet: RunSheet) -> CanisterParameters:
    """The sheet's canister with every coefficient at its usual value: one member.

    Parameters
    ----------
    sheet : RunSheet                       canister and piece

    Returns    CanisterParameters
    Raises     InputFault                  a canister that cannot be
    """
    return draw_canisters(np.random.default_rng(0), sheet, 1)


def _steel_fraction(
    canister: Canister,
    piece: Piece,
    inside_m: float,
    length_m: FloatArray,
    other_m: FloatArray,
    how_many: FloatArray,
    how_wide: FloatArray,
) -> FloatArray:
    """Share of the inside that is steel (members,): from its weight and the length, else from how pieces can lie."""
    tube = canister.shape is CanisterShape.TUBE
    across_m = np.full(length_m.size, inside_m) if tube else other_m - 2.0 * canister.wall_m
    inside_m2 = pi / 4.0 * inside_m**2 if tube else inside_m * across_m
    if canister.steel_mass_kg is not None:
        # A canister's inside is shorter than its outside by two walls; one tenth for the room above the load.
        inside_length_m = 0.9 * np.maximum(length_m - 2.0 * canister.wall_m, 0.1 * length_m)
        share = canister.steel_mass_kg / STEEL_DENSITY_KG_PER_M3 / (inside_m2 * inside_length_m)
        if canister.length_m is not None and float(share.min()) > 1.0:
            room_kg = canister.steel_mass_kg / float(share.min())
            raise InputFault(Fault("canister.steel_kg", f"{canister.steel_mass_kg:g} kg", f"at most {room_kg:.2g} kg"))
    else:
        pitch_m = piece.size_m + BETWEEN_PIECES_M
        rows = np.maximum(np.floor((inside_m + BETWEEN_PIECES_M) / pitch_m), 1.0)
        if piece.shape is Shape.ROUND:
            columns = np.maximum(np.floor((across_m + BETWEEN_PIECES_M) / pitch_m), 1.0)
            one_m2 = np.full(length_m.size, pi / 4.0 * piece.size_m**2)
            most = rows * columns * (0.7 if tube else 1.0)
        else:
            one_m2 = piece.size_m * np.maximum(across_m * (0.4 + 0.5 * how_wide), piece.size_m)
            most = rows * np.full(length_m.size, 0.75 if tube else 1.0)
        share = one_m2 * np.maximum(most, 1.0) ** how_many / inside_m2
    return np.clip(share, LEAST_STEEL, MOST_STEEL) * np.ones(length_m.size)
