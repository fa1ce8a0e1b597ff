"""A run sheet becomes values in SI, and every mistake on it is told at once, by line and key."""

from math import inf
from pathlib import Path

import pytest

from logger.errors import InputFault
from logger.sheet import RunSheet
from logger.sheet_file import read_sheet
from logger.sheet_parts import (
    Canister,
    CanisterLag,
    CanisterShape,
    Layer,
    Pack,
    Piece,
    Quantity,
    Shape,
    SoakRule,
    Stage,
    StageKind,
    SurfaceKind,
    Target,
)
from logger.thermocouple import Correction, Thermocouple, ThermocoupleType, ToleranceClass
from logger.units import DisplayUnits

PLATE = '[piece]\nshape = "plate"\nthickness_mm = 6.0\ncarbon_wt_pct = 0.10\n'
A_LENGTH = 'a length such as 6.0 or "0.25 in"'
A_TIME = 'a time such as 2.5, "150 min" or "2 h 30 min"'


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def sheet_of(text: str) -> RunSheet:
    Path("sheet.toml").write_text(text, encoding="utf-8")
    return read_sheet("sheet.toml")


def faults_of(text: str) -> list[str]:
    with pytest.raises(InputFault) as refusal:
        sheet_of(text)
    return str(refusal.value).splitlines()


CONTRACT = """
[piece]
shape = "plate"                 # "plate" or "round"
thickness_mm = 6.0              # round: diameter_mm
carbon_wt_pct = 0.10
alloy_wt_pct = { Mn = 0.45, Si = 0.10 }     # optional
[pack]
carbon_potential_wt_pct = 1.10  # optional; fixed potential; else carbon_activity (graphite = 1)
mass_transfer_m_per_s = 1.0e-7  # optional; "inf" pins the surface
[canister]
sensor = "inside"
[[target]]
quantity = "case depth"
at_carbon_wt_pct = 0.40
reach_mm = 0.8

[[stage]]
kind = "temper"
"""


def test_the_contract_sheet_is_read_into_si(folder: Path) -> None:
    assert sheet_of(CONTRACT) == RunSheet(
        piece=Piece(Shape.PLATE, 0.006, 0.10, {"Mn": 0.45, "Si": 0.10}),
        pack=Pack(carbon_potential_wt_pct=1.10, mass_transfer_m_per_s=1.0e-7),
        canister=Canister(sensor="inside"),
        stages=(Stage(StageKind.TEMPER),),
        targets=(Target(Quantity.CASE_DEPTH, 0.0008, at_carbon_wt_pct=0.40),),
    )


def test_a_piece_alone_is_a_sheet(folder: Path) -> None:
    assert sheet_of(PLATE) == RunSheet(Piece(Shape.PLATE, 0.006, 0.10))


def test_everything_a_sheet_can_say_is_read(folder: Path) -> None:
    text = """
        name = "Irons 7"
        notes = "invented"
        channel = "can"
        [piece]
        shape = "round"
        diameter_in = "3/8"
        carbon = "0.20 %"
        iron_lot = "barn hinge"
        front = "open air"
        [pack]
        carbon_activity = 0.9
        mass_transfer_m_per_s = "inf"
        mass_transfer_energy_kJ_per_mol = 120.0
        mass_transfer_reference_C = 950
        [canister]
        sensor = "oven"
        shape = "box"
        outer_in = 4
        wall = "1/8 in"
        pack_kind = "graphite"
        fill = 0.8
        [[stage]]
        kind = "carburize"
        to = "2 h 30 min"
        [[stage]]
        kind = "diffuse"
        from_s = 9000
        to_h = 4
        surface = "sealed"
        [[stage]]
        kind = "carburize"
        from_h = 4
        [stage.pack]
        carbon_potential_wt_pct = 0.8
        [[target]]
        quantity = "hardness"
        reach_HRC = 60
        limit = true
        judged_by = "pessimistic"
        [soak]
        temperature_F = 1700
        half_band_F = 18
        source = "own rule"
        [reference]
        temperature_C = 927
        energy_kJ_per_mol = 150
        [tempering]
        constant = 15.5
        reference_temperature_F = 400
        quenched_hardness_HRC = 65.5
    """
    sheet = sheet_of(text)
    assert sheet.name == "Irons 7"
    assert sheet.notes == "invented"
    assert sheet.channel == "can"
    assert sheet.piece == Piece(
        Shape.ROUND, pytest.approx(0.009525), 0.20, iron_lot="barn hinge", front=SurfaceKind.OPEN_AIR
    )
    assert sheet.pack == Pack(
        carbon_activity=0.9,
        mass_transfer_m_per_s=inf,
        mass_transfer_energy_J_per_mol=120e3,
        mass_transfer_reference_K=pytest.approx(1223.15),
    )
    assert sheet.canister == Canister(
        "oven", CanisterShape.BOX, pytest.approx(0.1016), pytest.approx(0.003175), "graphite", 0.8
    )
    assert sheet.stages == (
        Stage(StageKind.CARBURIZE, 0.0, 9000.0),
        Stage(StageKind.DIFFUSE, 9000.0, 14400.0, surface=SurfaceKind.SEALED),
        Stage(StageKind.CARBURIZE, 14400.0, pack=Pack(carbon_potential_wt_pct=0.8)),
    )
    assert sheet.targets == (Target(Quantity.HARDNESS, 60.0, limit=True, judged_by="pessimistic"),)
    assert sheet.soak == SoakRule(pytest.approx(1199.8166666), pytest.approx(10.0), "own rule")
    assert sheet.reference_temperature_K == pytest.approx(1200.15)
    assert sheet.equivalent_energy_J_per_mol == 150e3
    assert sheet.tempering_constant == 15.5
    assert sheet.tempering_reference_K == pytest.approx(477.594444)
    assert sheet.quenched_hardness_HRC == 65.5
    assert sheet.display == DisplayUnits("F", "in")


def test_a_layered_piece_is_as_thick_as_its_layers_together(folder: Path) -> None:
    text = """
        [piece]
        shape = "layered"
        [[piece.layer]]
        thickness_mm = 1.5
        carbon_wt_pct = 0.10
        [[piece.layer]]
        thickness = "3 mm"
        carbon_wt_pct = 0.90
        alloy_wt_pct = { Cr = 0.4 }
    """
    piece = sheet_of(text).piece
    assert piece.layers == (Layer(0.0015, 0.10), Layer(0.003, 0.90, {"Cr": 0.4}))
    assert piece.size_m == pytest.approx(0.0045)
    assert piece.carbon_wt_pct == pytest.approx((0.10 * 1.5 + 0.90 * 3.0) / 4.5)


@pytest.mark.parametrize(
    ("keys", "target"),
    [
        ('quantity = "case depth"\nat_carbon_wt_pct = 0.4\nreach = "0.8 mm"', Target(Quantity.CASE_DEPTH, 0.0008, 0.4)),
        ('quantity = "case depth"\nat_carbon = "0.4 %"\nreach_um = 800', Target(Quantity.CASE_DEPTH, 0.0008, 0.4)),
        ('quantity = "surface carbon"\nreach_wt_pct = 0.9\nlimit = true',
         Target(Quantity.SURFACE_CARBON, 0.9, limit=True)),
        ('quantity = "core carbon"\nreach = "0.7 %"', Target(Quantity.CORE_CARBON, 0.7)),
        ('quantity = "mean carbon"\nreach_wt_pct = 0.7', Target(Quantity.MEAN_CARBON, 0.7)),
        ('quantity = "soak time"\nreach_h = 2', Target(Quantity.SOAK_TIME, 7200.0)),
        ('quantity = "soak time"\nreach_hours = 2', Target(Quantity.SOAK_TIME, 7200.0)),
        ('quantity = "soak time"\nreach_min = 90', Target(Quantity.SOAK_TIME, 5400.0)),
        ('quantity = "equivalent time"\nreach = "1 h 30 min"', Target(Quantity.EQUIVALENT_TIME, 5400.0)),
        ('quantity = "tempering parameter"\nparameter = 14800', Target(Quantity.TEMPERING_PARAMETER, 14800.0)),
        ('quantity = "tempering parameter"\nreach_K = 14800', Target(Quantity.TEMPERING_PARAMETER, 14800.0)),
        ('quantity = "hardness"\nreach_HRC = 60', Target(Quantity.HARDNESS, 60.0)),
        ('quantity = "hardness"\nreach = "60 HRC"', Target(Quantity.HARDNESS, 60.0)),
    ],
)  # fmt: skip
def test_each_target_has_a_key_in_its_own_unit(folder: Path, keys: str, target: Target) -> None:
    assert sheet_of(f"{PLATE}[[target]]\n{keys}\n").targets == (target,)


@pytest.mark.parametrize(
    ("text", "display"),
    [
        (PLATE, DisplayUnits("C", "mm")),
        ('[piece]\nshape="plate"\nthickness_in=0.25\ncarbon_wt_pct=0.1\n', DisplayUnits("C", "in")),
        ('[piece]\nshape="plate"\nthickness_mm="0.25 in"\ncarbon_wt_pct=0.1\n', DisplayUnits("C", "in")),
        (PLATE + '[soak]\ntemperature = "1700 F"\n', DisplayUnits("F", "mm")),
        (PLATE + '[soak]\ntemperature_F = 1700\nhalf_band_C = 10\n', DisplayUnits("C", "mm")),
        (PLATE + '[display]\ntemperature = "F"\nlength = "in"\n', DisplayUnits("F", "in")),
    ],
)  # fmt: skip
def test_views_answer_in_the_units_the_sheet_is_written_in_or_asks_for(
    folder: Path, text: str, display: DisplayUnits
) -> None:
    assert sheet_of(text).display == display


def test_a_pack_may_name_a_recipe_and_leave_the_rest_to_it(folder: Path) -> None:
    assert sheet_of(PLATE + '[pack]\nrecipe = "plain charcoal"\n').pack == Pack(recipe="plain charcoal")


def test_a_soak_rule_may_be_named(folder: Path) -> None:
    soak = sheet_of(PLATE + '[soak]\nrule = "class 3"\ntemperature_C = 930\n').soak
    assert soak == SoakRule(pytest.approx(1203.15), 8.0, "AMS 2750 uniformity class 3, from memory")


def test_a_canister_may_bring_what_an_earlier_run_taught(folder: Path) -> None:
    text = (
        PLATE
        + """
        [canister]
        sensor = "oven"
        outer_mm = 60
        length_in = 8
        steel_lb = 2
        start_temperature_F = 68
        [canister.lag]
        conductivity = 1.2
        steel_spread = 0.05
    """
    )
    canister = sheet_of(text).canister
    assert canister.length_m == pytest.approx(0.2032)
    assert canister.steel_mass_kg == pytest.approx(0.90718474)
    assert canister.start_temperature_K == pytest.approx(293.15)
    assert canister.lag == CanisterLag(conductivity=1.2, steel_spread=0.05)


def test_the_thermocouple_may_be_named_with_what_its_calibration_found(folder: Path) -> None:
    text = (
        PLATE
        + """
        [thermocouple]
        type = "N"
        tolerance = "special"
        sheathed = false
        [[thermocouple.correction]]
        at_C = 20
        add_C = 0.5
        [[thermocouple.correction]]
        at_C = 920
        add_C = -2
    """
    )
    correction = Correction((293.15, 1193.15), (0.5, -2.0))
    assert sheet_of(text).thermocouple == Thermocouple(
        ThermocoupleType.N, ToleranceClass.E230_SPECIAL, correction, sheathed=False
    )


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (PLATE.replace("6.0", '"six"'), f'line 3: piece.thickness_mm: found "six", expected {A_LENGTH}'),
        (PLATE.replace("6.0", "true"), f"line 3: piece.thickness_mm: found true, expected {A_LENGTH}"),
        (PLATE.replace("6.0", "nan"), f"line 3: piece.thickness_mm: found nan, expected {A_LENGTH}"),
        (PLATE.replace("6.0", '"1/0"'), f'line 3: piece.thickness_mm: found "1/0", expected {A_LENGTH}'),
        (PLATE.replace("6.0", '"6 C"'), f'line 3: piece.thickness_mm: found "6 C", expected {A_LENGTH}'),
        (PLATE.replace("6.0", "[6]"), f"line 3: piece.thickness_mm: found a list, expected {A_LENGTH}"),
        (PLATE.replace("_mm", ""), f"line 3: piece.thickness: found 6.0 without a unit, expected {A_LENGTH}"),
        (PLATE.replace("thickness_mm = 6.0\n", ""), f"line 1: piece.thickness_mm: found nothing, expected {A_LENGTH}"),
        (PLATE.replace("thickness_mm", "thicknes_mm"), "line 3: piece.thicknes_mm: found an unknown key, "
         "expected thickness_mm"),
        (PLATE.replace("6.0", "6000.0"), "line 3: piece.thickness_mm: found 6000 mm, expected 0.05 to 500 mm"),
        (PLATE.replace("6.0", "-6.0"), "line 3: piece.thickness_mm: found -6 mm, expected 0.05 to 500 mm"),
        (PLATE.replace("6.0", "0"), "line 3: piece.thickness_mm: found 0 mm, expected 0.05 to 500 mm"),
        (PLATE + "thickness_in = 0.25\n", "line 3: piece.thickness_mm: found thickness_mm and thickness_in together, "
         "expected one of them"),
        (PLATE + "diameter_mm = 6.0\n", "line 5: piece.diameter_mm: found a key that does not go with the others, "
         "expected thickness of a plate"),
        (PLATE.replace("0.10", "10"), "line 4: piece.carbon_wt_pct: found 10 %, expected 0 to 2 %"),
        (PLATE.replace("0.10", '"low"'), 'line 4: piece.carbon_wt_pct: found "low", '
         'expected carbon in per cent by weight such as 0.40 or "0.40 %"'),
        (PLATE.replace('"plate"', '"cube"'), 'line 2: piece.shape: found "cube", '
         'expected "plate", "round" or "layered"'),
        (PLATE.replace('shape = "plate"\n', ""), "line 1: piece.shape: found nothing, "
         'expected "plate", "round" or "layered"'),
        (PLATE.replace('"plate"', '"layered"').replace("thickness_mm = 6.0\ncarbon_wt_pct = 0.10\n", ""),
         "line 1: piece.layer: found nothing, expected at least one layer, from the front face to the back face"),
        (PLATE + "[[piece.layer]]\nthickness_mm = 1\ncarbon_wt_pct = 0.1\n", "line 5: piece.layer: "
         'found layers of a plate, expected piece.shape = "layered" with layers'),
        (PLATE.replace('"plate"', '"round"').replace("thickness", "diameter") + 'back = "sealed"\n',
         "line 5: piece.back: found sealed, expected nothing: a round has one surface, piece.front"),
        (PLATE.replace('"plate"', '"layered"').replace("carbon_wt_pct = 0.10\n", "")
         + "[[piece.layer]]\nthickness_mm = 6\ncarbon_wt_pct = 0.1\n",
         "line 3: piece.thickness_mm: found a key that does not go with the others, "
         "expected the thickness of each [[piece.layer]]; they add up to the piece's"),
        ('[piece]\nshape = "layered"\n[[piece.layer]]\ncarbon_wt_pct = 0.1\n',
         f"line 3: piece.layer[0].thickness_mm: found nothing, expected {A_LENGTH}"),
        (PLATE + "alloy_wt_pct = { Cr = 25, Ni = 25, Mn = 25 }\n", "line 5: piece.alloy_wt_pct: "
         "found 75 % in all, expected at most 60 %: the rest is iron"),
        (PLATE + "[[thermocouple.correction]]\nat_C = 900\nadd_C = 1\n" * 2, "line 9: thermocouple.correction[1].at_C: "
         "found a reading not above the one before, expected readings that increase"),
        (PLATE + "alloy_wt_pct = { Zz = 1.0 }\n", "line 5: piece.alloy_wt_pct.Zz: found an unknown key, "
         'expected "Mn", "Si", "Cr", "Ni", "Mo", "Cu", "V", "W", "P", "S", "As" or "Al"'),
        (PLATE + 'alloy_wt_pct = { Mn = "some" }\n', 'line 5: piece.alloy_wt_pct.Mn: found "some", expected a number'),
        (PLATE + "alloy_wt_pct = { Mn = -1 }\n", "line 5: piece.alloy_wt_pct.Mn: found -1 %, expected 0 to 30 %"),
        (PLATE + 'front = "pack"\n', "line 5: piece.front: found pack, expected a [pack] on the sheet"),
        ("name = 3\n" + PLATE, "line 1: name: found 3, expected text in quotation marks"),
        ('channel = ""\n' + PLATE, 'line 1: channel: found "", expected a name in quotation marks'),
        ("Name = 3\n" + PLATE, "line 1: Name: found an unknown key, expected name"),
        ("colour = 3\n" + PLATE, "line 1: colour: found an unknown key, expected one of name, notes, channel, piece, "
         "pack, canister, stage, quench, plan, target, soak, reference, tempering, thermocouple, correction, display"),
        ("pack = 3\n" + PLATE, "line 1: pack: found 3, expected a table [pack]"),
        ("stage = 3\n" + PLATE, "line 1: stage: found 3, expected one or more tables [[stage]]"),
        ("stage = [3]\n" + PLATE, "line 1: stage[0]: found 3, expected a table [[stage]]"),
        (PLATE + "[pack]\ncarbon_potential_wt_pct = 3.0\n", "line 6: pack.carbon_potential_wt_pct: found 3 %, "
         "expected 0 to 2.1 %, the most that austenite can hold"),
        (PLATE + "[pack]\ncarbon_activity = 1.2\n", "line 6: pack.carbon_activity: found 1.2, "
         "expected above 0, up to 1 (graphite)"),
        (PLATE + "[pack]\ncarbon_activity = 1\ncarbon_potential_wt_pct = 1\n", "line 5: pack: "
         "found a carbon potential and a carbon activity, expected one of them"),
        (PLATE + "[pack]\nmass_transfer_m_per_s = 0\n", "line 6: pack.mass_transfer_m_per_s: found 0 m/s, "
         'expected above 0, up to 0.001 m/s, or "inf" for a pinned surface'),
        (PLATE + "[pack]\nmass_transfer_m_per_s = 1e7\n", "line 6: pack.mass_transfer_m_per_s: found 1e+07 m/s, "
         'expected above 0, up to 0.001 m/s, or "inf" for a pinned surface'),
        (PLATE + '[pack]\nmass_transfer_m_per_s = "fast"\n', 'line 6: pack.mass_transfer_m_per_s: found "fast", '
         'expected a mass transfer coefficient such as 1.0e-7, or "inf" for a pinned surface'),
        (PLATE + '[pack]\nrecipe = "magic"\n', 'line 6: pack.recipe: found "magic", expected "energised charcoal", '
         '"charcoal with shell or chalk", "plain charcoal", "graphite with bicarbonate" or "worn pack"'),
        (PLATE + '[canister]\npack_kind = "sand"\n', 'line 6: canister.pack_kind: found "sand", expected "charcoal", '
         '"charcoal and carbonate", "bone charcoal", "activated carbon", "coke" or "graphite"'),
        (PLATE + "[canister]\nsteel_kg = 0\n", "line 6: canister.steel_kg: found 0 kg, expected 0.001 to 1000 kg"),
        (PLATE + '[soak]\nrule = "class 3"\nhalf_band_C = 3\n', "line 7: soak.half_band_C: "
         "found a key that does not go with the others, expected the band of the rule, or a band and no rule"),
        (PLATE + '[canister]\nsensor = "lid"\n', 'line 6: canister.sensor: found "lid", expected "inside" or "oven"'),
        (PLATE + '[canister]\nsensor = "oven"\n', "line 5: canister.outer_mm: found nothing, expected the canister's "
         "outer size: the sensor is in the oven, so the heat's way in must be worked out"),
        (PLATE + "[canister]\nouter_mm = 60\nwall_mm = 0\n", "line 7: canister.wall_mm: found 0 mm, "
         "expected 0.1 to 100 mm"),
        (PLATE + "[canister]\nouter_mm = 60\nwall_mm = 30\n", "line 7: canister.wall_mm: found 30 mm, "
         "expected less than 30 mm"),
        (PLATE + "[canister]\nouter_mm = 11\n", "line 6: canister.outer_mm: found 11 mm, 5 mm inside, "
         "expected room for a piece of 6 mm"),
        (PLATE + "[canister]\nfill = 0\n", "line 6: canister.fill: found 0, expected 0.01 to 1"),
        (PLATE + "[soak]\nhalf_band_C = 0\n", "line 6: soak.half_band_C: found 0 C, expected 0.5 to 200 C"),
        (PLATE + '[soak]\ntemperature = "warm"\n', 'line 6: soak.temperature: found "warm", '
         'expected a temperature such as 930.0 or "1750 F"'),
        (PLATE + "[soak]\ntemperature_C = -300\n", "line 6: soak.temperature_C: found -300, "
         'expected a temperature such as 930.0 or "1750 F"'),
        (PLATE + "[reference]\ntemperature_F = 200\n", "line 6: reference.temperature_F: found 200 F, "
         "expected 752 to 2552 F"),
        (PLATE + "[tempering]\nconstant = 200\n", "line 6: tempering.constant: found 200, expected 5 to 30"),
        (PLATE + '[quench]\nbath = "whale oil"\n', 'line 6: quench.bath: found "whale oil", expected "brine", '
         '"water", "fast oil" or "slow oil"'),
        (PLATE + "[quench]\nfrom_C = 1200\n", "line 6: quench.from_C: found 1200 C, expected 600 to 1147 C"),
        (PLATE + "[quench]\nfrom_F = 900\n", "line 6: quench.from_F: found 900 F, expected 1112 to 2097 F"),
        (PLATE + "[quench]\nend_C = 300\n", "line 6: quench.end_C: found 300 C, expected -196.1 to 250 C"),
        (PLATE + "[quench]\nsection_mm = 900\n", "line 6: quench.section_mm: found 900 mm, expected 0.05 to 500 mm"),
        (PLATE + "[quench]\nat_h = 1.0\n[[quench.taken_out]]\nat_h = 2.0\n", "line 6: quench.at_h: found 1 h, "
         "expected later than 2 h, when it was last taken out"),
        (PLATE + "[[quench.taken_out]]\nat_h = 2.0\n[[quench.taken_out]]\nat_h = 1.0\n",
         "line 8: quench.taken_out[1].at_h: found 1 h, expected later than 2 h, the time before it"),
        (PLATE + "[[quench.taken_out]]\n", f"line 5: quench.taken_out[0].at_s: found nothing, expected {A_TIME}"),
        (PLATE + "[tempering]\nhold_h = -1\n", "line 6: tempering.hold_h: found -1 h, expected 0.01667 to 2000 h"),
        (PLATE + '[[stage]]\nkind = "toast"\n', 'line 6: stage[0].kind: found "toast", expected "heat-up", '
         '"carburize", "diffuse", "normalize", "austenitize", "temper" or "cool"'),
        (PLATE + "[[stage]]\nto_s = 10\n", 'line 5: stage[0].kind: found nothing, expected "heat-up", '
         '"carburize", "diffuse", "normalize", "austenitize", "temper" or "cool"'),
        (PLATE + '[[stage]]\nkind = "temper"\nfrom_s = 10\nto_s = 10\n', "line 8: stage[0].to_s: "
         "found 10 s, from 10 s, expected an end after its beginning"),
        (PLATE + '[[stage]]\nkind = "temper"\nfrom_s = -1\n', "line 7: stage[0].from_s: found -1 s, "
         "expected 0 s or later"),
        (PLATE + '[[stage]]\nkind = "temper"\n' * 2, "line 7: stage[1].from_s: found 0 s, "
         "while stage[0] lasts to the end of the run, "
         "expected stages in order, each from the end of the one before or later"),
        (PLATE + '[[stage]]\nkind = "temper"\nto_h = "30 min 2 h"\n', 'line 7: stage[0].to_h: found "30 min 2 h", '
         f"expected {A_TIME}"),
        (PLATE + '[[target]]\nquantity = "case depth"\nreach_mm = 1\n', "line 5: target[0].at_carbon_wt_pct: "
         "found nothing, expected the carbon content the depth is measured to, such as at_carbon_wt_pct = 0.40"),
        (PLATE + '[[target]]\nquantity = "case depth"\nat_carbon_wt_pct = 0.4\n', "line 5: target[0].reach_mm: "
         "found nothing, expected a depth such as reach_mm = 0.8"),
        (PLATE + '[[target]]\nquantity = "case depth"\nat_carbon_wt_pct = 0.4\nreach_mm = 3.1\n',
         "line 8: target[0].reach_mm: found 3.1 mm, expected at most 3 mm, half the piece"),
        (PLATE + '[[target]]\nquantity = "case depth"\nat_carbon_wt_pct = 0.1\nreach_mm = 1\n',
         "line 7: target[0].at_carbon_wt_pct: found 0.1 %, expected more than the 0.1 % the piece starts with"),
        (PLATE + '[[target]]\nquantity = "soak time"\nreach_mm = 1\n', "line 7: target[0].reach_mm: "
         "found a value in mm, expected a time such as reach_h = 2.0"),
        (PLATE + '[[target]]\nquantity = "soak time"\nreach_h = 1\nat_carbon_wt_pct = 0.4\n',
         "line 8: target[0].at_carbon_wt_pct: found 0.4 %, expected nothing: soak time has no such level"),
        (PLATE + '[[target]]\nquantity = "tempering parameter"\nparameter = 14.8\n', "line 7: target[0].parameter: "
         "found 14.8 K, expected 5000 to 30000 K"),
        (PLATE + '[[target]]\nquantity = "joy"\nreach_h = 1\n', 'line 6: target[0].quantity: found "joy", expected '
         '"case depth", "surface carbon", "core carbon", "mean carbon", "soak time", "equivalent time", '
         '"tempering parameter" or "hardness"'),
        (PLATE + '[[target]]\nquantity = "hardness"\nreach_HRC = 60\njudged_by = "luck"\n',
         'line 8: target[0].judged_by: found "luck", expected "median" or "pessimistic"'),
        (PLATE + '[[target]]\nquantity = "hardness"\nreach_HRC = 60\nlimit = 3\n',
         "line 8: target[0].limit: found 3, expected true or false"),
        (PLATE + "[correction]\nmean = [1, 2]\n",
         "line 5: correction: found 2 numbers and 4 rows, expected four numbers and four rows of four, as "
         "`soaktally correct show --sheet-table` prints them"),
        (PLATE + "[correction]\nmean = [99, 0, 0, 0]\n",
         "line 6: correction.mean: found 99, 0, 0, 0, expected numbers from -12 to 12"),
        (PLATE + "[correction]\ncovariance = [[1, 2, 0, 0], [2, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]\n",
         "line 6: correction.covariance: found rows that cannot be one, expected four rows of four that can be a "
         "covariance, as `soaktally correct show --sheet-table` prints them"),
        (PLATE + "[correction]\nmean = 3\n", "line 6: correction.mean: found 3, expected a list"),
        (PLATE + '[display]\ntemperature = "K"\n', 'line 6: display.temperature: found "K", expected "C" or "F"'),
    ],
)  # fmt: skip
def test_each_mistake_on_a_sheet_is_one_clear_line(folder: Path, text: str, fault: str) -> None:
    assert faults_of(text) == [f"sheet.toml, {fault}"]


ELEVEN_MISTAKES = """
chanel = "can"
[piece]
shape = "plate"
thickness_mm = "six"
carbon_wt_pct = 3
alloy_wt_pct = { Mn = "some" }
[pack]
carbon_activity = 0
mass_transfer_m_per_s = "fast"
[canister]
sensor = "lid"
[[target]]
quantity = "soak time"
reach_mm = 1
[soak]
half_band_F = 0
[[stage]]
kind = "temper"
to_h = "30 min 2 h"
[[stage]]
kind = "toast"
from_h = 1
"""


def test_eleven_mistakes_are_eleven_faults_in_the_order_of_the_sheet(folder: Path) -> None:
    lines = [int(fault.split("line ")[1].split(":")[0]) for fault in faults_of(ELEVEN_MISTAKES)]
    assert lines == [2, 5, 6, 7, 9, 10, 12, 15, 17, 20, 22]


def test_nothing_is_concluded_from_a_value_that_is_at_fault(folder: Path) -> None:
    text = PLATE.replace("6.0", '"six"') + '[canister]\nouter_mm = 11\n[[stage]]\nkind = "temper"\nto_s = "x"\n'
    text += '[[stage]]\nkind = "temper"\nfrom_s = 20\n'
    assert [fault.split(":")[1].strip() for fault in faults_of(text)] == ["piece.thickness_mm", "stage[0].to_s"]


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("thickness = 6 mm", "line 1, column 15: found more after the value in: thickness = 6 mm, "
         'expected one value; text and units in "quotation marks"'),
        ("piece", "line 1, column 6: found a key without a value in: piece, expected key = value"),
        ("[piece\nshape = 3", "line 1, column 7: found a [table] header without its closing ] in: [piece, "
         "expected [table]"),
        ("[[stage]\n", "line 1, column 8: found a [[table]] header without its closing ]] in: [[stage], "
         "expected [[table]]"),
        ('name = "irons\n', 'line 1, column 14: found text without a closing quotation mark in: name = "irons, '
         "expected one at the end of the text"),
        ("a = [1, 2", "line 1, column 10: found a list without its closing ] in: a = [1, 2, expected a ] at its end"),
        ("a = { b = 1", "line 1, column 12: found a table without its closing } in: a = { b = 1, "
         "expected a } at its end, on the same line"),
        ("a = 1\na = 2", "line 2, column 6: found a key given twice in: a = 2, expected each key once"),
        ("[a]\n[a]\n", "line 2, column 3: found a table given twice in: [a], "
         "expected each [table] once; [[table]] where there are several"),
        ("a = six", "line 1, column 5: found a value that cannot be read in: a = six, "
         'expected a number, true, false, or text in "quotation marks"'),
        ('a = "C:\\iron"', "line 1, column 10: found a backslash in text in: a = \"C:\\iron\", "
         "expected a double one, or text in 'single quotation marks'"),
        ("= 3", "line 1, column 1: found neither a key nor a [table] in: = 3, "
         "expected key = value, or a [table] header"),
    ],
)  # fmt: skip
def test_what_is_not_toml_is_said_in_plain_words_with_line_and_column(folder: Path, text: str, fault: str) -> None:
    assert faults_of(text) == [f"sheet.toml, {fault}"]


@pytest.mark.parametrize("text", ["a = " + "[" * 5000, "a = " + "9" * 5000])
def test_what_no_reader_can_take_is_refused_and_not_a_crash(folder: Path, text: str) -> None:
    assert faults_of(text) == [
        "sheet.toml: found a number of too many digits or lists too deep in lists, expected a run sheet in TOML"
    ]


def test_a_sheet_that_is_no_readable_file_is_said_so(folder: Path) -> None:
    Path("empty.toml").write_text("")
    Path("latin.toml").write_bytes("name = 'Hübner'\n".encode("latin-1"))
    for name, found in (
        ("none.toml", "none.toml: found no such file, expected a run sheet in TOML"),
        (".", ".: found a folder, expected a run sheet in TOML"),
        ("empty.toml", "empty.toml: found an empty file, expected a run sheet in TOML"),
        ("latin.toml", "latin.toml, line 1: found a byte that is not UTF-8 text (0xfc), "
         "expected a run sheet in TOML, saved as UTF-8"),
    ):  # fmt: skip
        with pytest.raises(InputFault) as refusal:
            read_sheet(name)
        assert str(refusal.value) == found


def test_the_line_is_found_among_inline_tables_long_texts_and_dotted_keys(folder: Path) -> None:
    text = 'notes = """\n[piece]\nshape = "plate"\n"""\npiece.shape = "plate"\npiece.thickness_mm = 6\n'
    text += "piece.carbon_wt_pct = 0.1\nstage = [\n  { kind = 'temper' },\n  { kind = 'toast', from_s = 3 },\n]\n"
    text += "[soak]\nhalf_band_C = 'wide'\n"
    places = [fault.split(": found")[0] for fault in faults_of(text)]
    assert places == [
        "sheet.toml, line 8: stage[1].kind",
        "sheet.toml, line 8: stage[1].from_s",
        "sheet.toml, line 13: soak.half_band_C",
    ]
