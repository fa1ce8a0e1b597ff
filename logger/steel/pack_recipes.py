"""Carburizing packs as data: carbon activity at the surface and mass transfer, each with where it comes from.

Published mass-transfer numbers for packs are scattered and none is reliable, so most of these are derived from a
published result of a pack, and say so. Their spread is wide on purpose.
"""

from dataclasses import dataclass

from logger.errors import Fault, InputFault
from logger.steel.coefficients import Coefficient


@dataclass(frozen=True, slots=True)
class PackRecipe:
    """One kind of pack.

    carbon_activity : at the steel's surface, graphite = 1
    mass_transfer_m_per_s : at `reference_K`; lognormal: its spread is the one-sigma factor minus 1
    energy_J_per_mol : Arrhenius energy of the mass transfer [J/mol]
    """

    name: str
    what: str
    carbon_activity: Coefficient
    mass_transfer_m_per_s: Coefficient
    energy_J_per_mol: float = 0.0
    reference_K: float = 1223.15
    caution: str = ""


def _activity(value: float, spread: float, source: str) -> Coefficient:
    return Coefficient("carbon activity", value, "-", source, spread, spread_is_absolute=True)


def _transfer(value: float, factor: float, source: str) -> Coefficient:
    return Coefficient("mass transfer", value, "m/s", source, factor - 1.0)


STATED_ACTIVITY_SPREAD = _activity(1.0, 0.05, "our estimate, no source: as wide as a saturated pack's own")
"""Scatter of a carbon activity a sheet states itself."""

STATED_POTENTIAL_SPREAD = Coefficient(
    "carbon potential as stated",
    1.0,
    "wt%",
    "potential held to plus or minus 0.05 % C, read as two sigma (common practice, no source)",
    spread=0.025,
    spread_is_absolute=True,
)
"""Scatter of a carbon potential a sheet states itself."""

STATED_TRANSFER_SPREAD = _transfer(
    1.0, 1.4, "1e-7 to 3e-7 m/s, usual for gas at 900 to 950 C (from memory), read as 90 % limits: 3^(0.5/1.645)"
)
"""Scatter of a mass transfer a sheet states itself; a pinned surface has none."""

_SATURATED = "carbon in the pack holds the gas at activity 1; common practice finds 1.0 to 1.3 % C at 900 to 930 C"

PACK_RECIPES: dict[str, PackRecipe] = {
    recipe.name: recipe
    for recipe in (
        PackRecipe(
            name="energised charcoal",
            what="charcoal with 10 to 20 % sodium, potassium or barium carbonate by weight",
            carbon_activity=_activity(1.0, 0.05, _SATURATED),
            mass_transfer_m_per_s=_transfer(
                3.0e-7,
                2.0,
                "upper end of 1e-7 to 3e-7 m/s, usual for carburizing gas at 900 to 950 C (from memory): no published "
                "pack value is reliable. Its case is within 7 % of a saturated surface's, as F.H. Colvin & K.A. Juthe, "
                "The Working of Steel (1922), report for packs: 0.028 in after 5.5 h at 1600 F",
            ),
            caution="barium carbonate is poisonous; soda or chalk do nearly as well",
        ),
        PackRecipe(
            name="charcoal with shell or chalk",
            what="charcoal with about 30 % powdered sea shell, eggshell or chalk (calcium carbonate) by weight",
            carbon_activity=_activity(1.0, 0.05, _SATURATED),
            mass_transfer_m_per_s=_transfer(
                9.0e-8,
                1.7,
                "derived: gives 0.82 of the case of energised charcoal, from 0.15 to 0.40 % C after 4 h at 950 C, as "
                "published for sea shell against barium carbonate",
            ),
        ),
        PackRecipe(
            name="plain charcoal",
            what="hardwood charcoal and nothing else",
            carbon_activity=_activity(1.0, 0.1, _SATURATED + "; without energizer uneven, slow to start"),
            mass_transfer_m_per_s=_transfer(
                1.5e-8,
                2.5,
                "derived: gives 1/2.8 of the case of charcoal with 30 % sea shell, from 0.15 to 0.40 % C after 4 h at "
                "950 C, as published; 2 h and 8 h give 2.0e-8 and 1.1e-8 m/s, other definitions of case 0.5e-8 to 3e-8",
            ),
        ),
        PackRecipe(
            name="graphite with bicarbonate",
            what="graphite powder with about 10 % sodium bicarbonate by weight",
            carbon_activity=_activity(1.0, 0.05, "graphite itself: activity 1"),
            mass_transfer_m_per_s=_transfer(
                4.0e-7,
                2.0,
                "fitted to common practice, no source: 2.5 h at 2200 F on 3 mm mild steel left a skin near cast iron "
                "over a high-carbon core, which 3.5e-7 to 7e-7 m/s give and 1e-6 overdoes",
            ),
            caution="much gas when it first gets hot: never close the canister gas-tight",
        ),
        PackRecipe(
            name="worn pack",
            what="pack used before, not topped up with new",
            carbon_activity=_activity(0.85, 0.1, "our estimate, no source: ash dilutes the charcoal"),
            mass_transfer_m_per_s=_transfer(
                7.0e-8,
                2.5,
                "our estimate, no source: the energizer mostly spent, between plain and energised charcoal; common "
                "practice tops it up with 12 to 30 % new",
            ),
        ),
    )
}
"""Packs by name. Every mass transfer holds at 950 C and is taken as constant over temperature: no source says more."""


def recipe_named(name: str) -> PackRecipe:
    """The recipe of a name. Raises InputFault listing the known names."""
    if name not in PACK_RECIPES:
        known = ", ".join(sorted(PACK_RECIPES))
        raise InputFault(Fault("pack recipe", repr(name), f"one of {known}"))
    return PACK_RECIPES[name]
