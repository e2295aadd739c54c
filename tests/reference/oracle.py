"""Works out every formula of the dosing core again, from the cases on standard input, with libraries
that are not ours: CoolProp for air and vapours, scipy and numpy for statistics and integrals, pint for
units, geographiclib for distances, Python's own fractions where a result is an exact integer.

Input: one JSON object a line, {"formula", "in", "out"}. Output: one line a formula with the number of
cases, the worst difference found and the difference allowed. Ends with 1 if any case is outside.

A difference is allowed for three reasons only, said beside each formula: rounding to the record's
integer, the stated error of a published approximation, and a bound that lies on one side by design.
"""

import json
import math
import sys
from decimal import ROUND_HALF_UP, Decimal, getcontext
from fractions import Fraction

import CoolProp.CoolProp as coolprop
import numpy
import pint
from geographiclib.geodesic import Geodesic
from scipy import integrate, optimize, stats

import oracle_plans

getcontext().prec = 60
PI = Decimal("3.14159265358979323846264338327950288419716939937510582097494459")
registry = pint.UnitRegistry(non_int_type=Decimal)
# pint's own acre is the US survey acre: the very trap the units table names.
registry.define("plain_acre = 43560 * foot ** 2")
registry.define("sixty_fourth_inch = inch / 64")
EXACT = 0


def nearest(value):
    """To the nearest integer, halves away from zero, without floats."""
    return int(Decimal(value).quantize(Decimal(1), rounding=ROUND_HALF_UP))


def air(output, pressure, mc, by="T"):
    return coolprop.PropsSI(output, by, mc / 1e3 + 273.15, "P", pressure, "Air")


def z_error(absolute):
    """The stated error of the compressibility factor, from the pressure (module gas)."""
    return 6e-6 if absolute <= 1.2e6 else 5e-5 if absolute <= 2e6 else 2.3e-4


def worst(*pairs):
    """(difference, allowed) of the pair that uses most of what it is allowed; 0 allowed means equal."""
    def share(pair):
        difference, allowed = pair
        return (difference > allowed, difference / allowed if allowed else difference)

    return max(pairs, key=share)


def integers(found, wanted, allowed=EXACT):
    return worst(*((abs(found[k] - wanted[k]), allowed) for k in wanted))


# --- stems and doses ------------------------------------------------------------------------------


def diameter_of_girth(given, found):
    return abs(found - nearest(Decimal(given) / PI)), EXACT


def girth_of_diameter(given, found):
    return abs(found - nearest(Decimal(given) * PI)), EXACT


def reading(given, found):
    micrometres = registry.Quantity(Decimal(given["text"]), given["unit"]).to("micrometer").magnitude
    value = nearest(micrometres / PI if given["girth"] else micrometres)
    if value > given["limit"]:
        # Beyond any trunk: it must have been refused, never changed.
        return (0 if "error" in str(found) else 1), EXACT
    return abs(found - value), EXACT


def combined(given, found):
    # Rounded down from the exact root, so less than one micrometre below a float's.
    root = float(numpy.linalg.norm(numpy.array(given, dtype=float)))
    return abs(found + 0.5 - root), 0.5 + 1e-6


def basal_area(given, found):
    metres = registry.Quantity(Decimal(given), "micrometer").to("meter").magnitude
    exact = float(PI / 4 * metres * metres)
    return abs(found / exact - 1), 1e-15 * 4


def per_length(given):
    """The micrometres a rate is for: an inch or a metre of diameter."""
    unit = "inch" if given["inch"] else "meter"
    return Fraction(registry.Quantity(Decimal(1), unit).to("micrometer").magnitude)


def stem_dose(given, found):
    product = {k: Fraction(given[k] * given["diameter"]) / per_length(given) for k in ("min", "usual", "max")}
    least, most = math.ceil(product["min"]), math.floor(product["max"])
    if least > most:
        return (0 if "error" in found else 1), EXACT
    wanted = {"min": least, "target": max(math.floor(product["usual"]), least), "max": most}
    return integers(found, wanted)


def season(given, found):
    by_diameter = math.floor(Fraction(given["rate"] * sum(given["stems"])) / per_length(given))
    by_ingredient = math.floor(Fraction(given["most"] * 1000, given["strength"]))
    return abs(found - min(given["tree"], by_diameter, by_ingredient)), EXACT


def area_season(given, found):
    hectares = registry.Quantity(Decimal(given["m2"]), "meter ** 2").to("hectare").magnitude
    product = given["per_hectare"] * hectares
    ingredient = given["most"] * hectares / given["strength"] * 1000
    # The ingredient's share is rounded down before and after: a microlitre lower, never higher.
    return abs(math.floor(min(product, ingredient)) - found - Decimal("0.5")), Decimal("0.5")


# --- units ----------------------------------------------------------------------------------------

UNITS = {
    "mm": "millimeter", "cm": "centimeter", "m": "meter", "in": "inch", "64ths in": "sixty_fourth_inch", "ft": "foot",
    "µL": "microliter", "mL": "milliliter", "L": "liter", "US fl oz": "fluid_ounce", "US pt": "pint",
    "imp fl oz": "imperial_fluid_ounce", "US qt": "quart", "US gal": "gallon", "imp gal": "imperial_gallon",
    "Pa": "pascal", "kPa": "kilopascal", "bar": "bar", "MPa": "megapascal", "psi": "psi",
    "hPa": "hectopascal", "inHg": "inch_Hg", "mmHg": "mmHg",
    "mL/cm": "milliliter / centimeter", "mL/in": "milliliter / inch", "US fl oz/in": "fluid_ounce / inch",
    "m²": "meter ** 2", "ha": "hectare", "acre": "plain_acre", "survey acre": "acre",
    "mL/ha": "milliliter / hectare", "L/ha": "liter / hectare", "mL/acre": "milliliter / plain_acre",
    "US fl oz/acre": "fluid_ounce / plain_acre", "US gal/acre": "gallon / plain_acre",
    "mg": "milligram", "g": "gram", "kg": "kilogram", "oz": "ounce", "lb": "pound",
}
RECORD_UNITS = {
    "length": "micrometer", "volume": "microliter", "gauge pressure": "pascal", "air pressure": "pascal",
    "rate": "microliter / meter", "area": "millimeter ** 2", "volume per area": "microliter / hectare",
    "mass": "milligram",
}


def unit(given, found):
    factor = registry.Quantity(Decimal(1), UNITS[given["unit"]]).to(RECORD_UNITS[given["of"]]).magnitude
    value = Decimal(given["text"]) * factor
    # A factor pint divides out has 60 digits; one that should be an integer is put back on it.
    value = value.quantize(Decimal("1e-30"))
    way = {"down": math.floor, "up": math.ceil, "nearest": nearest}[given["rounding"]]
    wanted = way(value)
    if abs(wanted) > 2**53 - 1:
        return (0 if "error" in str(found) else 1), EXACT
    # The conventional inch and millimetre of mercury have seven figures in NIST SP 811, more in pint.
    mercury = given["unit"] in ("inHg", "mmHg")
    return abs(found - wanted), (1 + abs(wanted) * 2e-7 if mercury else EXACT)


def temperature(given, found):
    kelvin = registry.Quantity(Decimal(given["text"]), given["unit"]).to("kelvin").magnitude
    wanted = (kelvin - Decimal("273.15")) * 1000
    if wanted < Decimal("-273150"):
        return (0 if "error" in str(found) else 1), EXACT
    # pint goes by way of kelvin with a rounded 5/9, so an exact half may fall either way.
    return abs(Decimal(found) - wanted), Decimal("0.5") + Decimal("1e-9")


# --- air ------------------------------------------------------------------------------------------


def compressibility(given, found):
    return abs(found - air("Z", given["pa"], given["mc"])), z_error(given["pa"])


STEEPEST = 1.46


def volumes(high, low, mc):
    """How far real air grows slowly and at once (constant entropy)."""
    start = air("D", high, mc)
    entropy = air("S", high, mc)
    return start / air("D", low, mc), start / coolprop.PropsSI("D", "S", entropy, "P", low, "Air")


def expansion(given, found):
    high, low = given["high"] + given["air"], given["low"] + given["air"]
    slow, fast = volumes(high, low, given["mc"])
    exponent = math.log(high / low) / math.log(found["adiabatic"])
    real = math.log(high / low) / math.log(fast)
    # At once: never more than real air does, whose own exponent is 1.38 or more.
    return worst(
        (abs(found["isothermal"] / slow - 1), 2 * z_error(high)),
        (abs(exponent - STEEPEST), 1e-9),
        (real - exponent, EXACT),
        (exponent - real, STEEPEST - 1.38),
    )


def gauge_at(given, found):
    before = given["pa"] + given["air"]
    density = air("D", before, given["from"])
    after = coolprop.PropsSI("P", "T", given["to"] / 1e3 + 273.15, "D", density, "Air")
    if found is None:
        return (0 if after > 2.99e6 else 1), EXACT
    return abs(found + given["air"] - after), 1 + 2 * z_error(max(before, after)) * after


def atmosphere_at(given, found):
    # Hydrostatic balance integrated with the constants of ISO 2533, not its closed form.
    weight = 9.80665 * 0.02896442 / 8.31432
    exponent, _ = integrate.quad(lambda h: weight / (288.15 - 0.0065 * h), 0, given / 1e6, epsabs=1e-13)
    return abs(found - 101325 * math.exp(-exponent)), 0.5 + 1e-6


# --- kit ------------------------------------------------------------------------------------------


def working_limit(given, found):
    ratings = {k: v for k, v in given.items() if v is not None}
    part = min(ratings, key=ratings.get)
    return (0 if found == {"limit": ratings[part], "set_by": part} else 1), EXACT


def charges(given, found):
    high, low = given["high"] + given["air"], given["low"] + given["air"]
    slow, fast = volumes(high, low, given["mc"])
    head = given["volume"] - given["product"]
    most, least = (min(head * (ratio - 1), given["product"]) for ratio in (slow, fast))
    bound = min(head * ((high / low) ** (1 / STEEPEST) - 1), given["product"])
    # Let out at once: never more than real air lets out.
    return worst(
        (abs(found["most"] - most), 1 + head * slow * 2 * z_error(high)),
        (found["least"] - least, 1e-3),
        (abs(found["least"] - bound + 0.5), 0.5 + 1e-3),
        (abs(found["charges"] - found["most"] // given["charge"]), EXACT),
        (abs(found["fewest"] - found["least"] // given["charge"]), EXACT),
    )


def gauge_after(given, found):
    before = given["high"] + given["air"]
    head = given["volume"] - given["product"]
    ratio = (head + given["charges"] * given["charge"]) / head
    density = air("D", before, given["mc"]) / ratio
    kelvin = given["mc"] / 1e3 + 273.15
    slow = coolprop.PropsSI("P", "T", kelvin, "D", density, "Air")
    fast = coolprop.PropsSI("P", "S", air("S", before, given["mc"]), "D", density, "Air")
    return worst(
        (abs(found["high"] + given["air"] - slow), 1 + 2 * z_error(before) * before),
        (found["low"] + given["air"] - fast, 1),
        (abs(found["low"] + given["air"] - before / ratio**STEEPEST), 0.5 + 1e-6),
    )


def settling(given, found):
    # A real vessel filled at once from air at 20 °C and the final pressure, then cooled: energy balance
    # m2 u2 - m1 u1 = (m2 - m1) h0 with CoolProp. Ours is the ideal gas's: within 5 % of it.
    kelvin, low, high = 293.15, given["from"] + 101325, given["to"] + 101325

    def at(name, pressure, temperature):
        return coolprop.PropsSI(name, "T", temperature, "P", pressure, "Air")

    first, energy, supplied = at("D", low, kelvin), at("U", low, kelvin), at("H", high, kelvin)

    def balance(temperature):
        last = at("D", high, temperature)
        return last * at("U", high, temperature) - first * energy - (last - first) * supplied

    hot = optimize.brentq(balance, kelvin + 1e-6, 600)
    cooled = coolprop.PropsSI("P", "T", kelvin, "D", at("D", high, hot), "Air")
    return abs(found / (high - cooled) - 1), 0.05


def leak_check(given, found):
    before = given["first"] + given["air"]
    density = air("D", before, given["first_mc"])
    expected = coolprop.PropsSI("P", "T", given["second_mc"] / 1e3 + 273.15, "D", density, "Air") - given["air"]
    tolerance = 2 * math.hypot(given["u"], given["u"])
    slack = 1 + 2 * z_error(2e6) * before
    missing = expected - given["second"]
    verdict = "leak" if missing > tolerance else "rose" if -missing > tolerance else "none_seen"
    if min(given["settled"], given["apart"]) < 10:
        verdict = "too_early"
    near = abs(missing - tolerance) <= slack + 1
    return worst(
        (abs(found["expected"] - expected), slack),
        (abs(found["tolerance"] - tolerance), 1),
        (0 if found["verdict"] == verdict or (near and verdict != "too_early") else 1, EXACT),
    )


def trapped_charge(given, found):
    local, high = given["air"], given["pa"] + given["air"]
    slow = air("D", local, given["mc"]) / air("D", high, given["mc"])
    hot = coolprop.PropsSI("D", "S", air("S", local, given["mc"]), "P", high, "Air")
    at_once = given["inner"] * (1 - air("D", local, given["mc"]) / hot)
    settled = given["inner"] * (1 - slow)
    return worst(
        (abs(found["settled"] - settled), 0.5 + given["inner"] * 2 * z_error(high)),
        (found["at_once"] - at_once, 0.5 + 1e-3),
        (abs(found["at_once"] - given["inner"] * (1 - (local / high) ** (1 / STEEPEST))), 0.5 + 1e-6),
    )


HENRY = [23.20, 20.53, 18.30, 16.46, 14.96, 13.76, 12.79, 12.02, 11.40, 10.87, 10.39]


def henry(mc):
    """Air in water, 10⁻⁶ of the amount per bar (J. Res. NBS 77A:133, table 3); straight on beyond 50 °C."""
    celsius = mc / 1e3
    if celsius > 50:
        return HENRY[-1] + (HENRY[-1] - HENRY[-2]) / 5 * (celsius - 50)
    return float(numpy.interp(celsius, numpy.arange(0, 51, 5), HENRY))


def warmed(given, found):
    fluid = {"water": "Water", "unknown": "Ethanol"}[given["liquid"]]
    cold, warm = given["from"] / 1e3 + 273.15, given["to"] / 1e3 + 273.15
    before = given["pa"] + given["air"]
    content, volume = given["content"] * 1e-9, given["volume"] * 1e-9
    swollen = content * coolprop.PropsSI("D", "T", cold, "Q", 0, fluid) / coolprop.PropsSI("D", "T", warm, "Q", 0, fluid)
    vapour = coolprop.PropsSI("P", "T", warm, "Q", 0, fluid)
    moles = air("DMOLAR", before, given["from"]) * (volume - content)
    if swollen >= volume:
        return (0 if found["full"] else 1), EXACT
    held = content * 55508e-11
    total = moles + held * henry(given["from"]) * before

    def excess(pressure):
        gas = air("DMOLAR", pressure, given["to"]) * (volume - swollen)
        return gas + held * henry(given["to"]) * pressure - total

    if excess(2.9e6) < 0:
        return (0 if found["after"] is None or found["after"] > 2.7e6 else 1), EXACT
    after = optimize.brentq(excess, 1e3, 3e6) + vapour - given["air"]
    alone = coolprop.PropsSI("P", "T", warm, "DMOLAR", air("DMOLAR", before, given["from"]), "Air") - before
    if found["after"] is None:
        return (0 if given["liquid"] == "unknown" else 1), EXACT
    # A warning: never below what CoolProp gives. Above it by the 0.05 % and the kilopascal it adds for
    # water, which CoolProp knows; for an unknown liquid it goes further above ethanol.
    over = 2000 + 1e-3 * (after + given["air"]) if given["liquid"] == "water" else math.inf
    return worst(
        (after - found["after"], EXACT),
        (found["after"] - after, over),
        (abs(found["by_air"] - alone), 2 + 2 * z_error(before + alone) * (before + alone)),
        (abs(found["vapour"] / vapour - 1), 5e-4 if given["liquid"] == "water" else 0.016),
    )


# --- calibration and uncertainty ------------------------------------------------------------------


def t_allowed(degrees):
    """Three decimals of the table up to 30 degrees of freedom, then the wider row below."""
    return 5e-4 / stats.t.ppf(0.975, degrees) if degrees <= 30 else 0.0125


def assess(given, found):
    readings = numpy.array(given["charges"], dtype=float)
    degrees = len(readings) - 1
    mean, spread = readings.mean(), readings.std(ddof=1)
    error = stats.sem(readings)
    half = stats.t.ppf(0.975, degrees) * error
    wider = half * t_allowed(degrees)
    off_allowed = math.hypot(half, 2 * given["shared"])
    spread_allowed = given["u"] * math.sqrt(stats.chi2.ppf(0.95, degrees) / degrees)
    off = abs(mean - given["nominal"])
    verdict = "too_spread" if spread > spread_allowed else "off" if off > off_allowed else "agrees"
    near = abs(spread / spread_allowed - 1) < 2e-3 or abs(off - off_allowed) < 1 + wider
    return worst(
        (abs(found["mean"] - mean), 0.5 + 1e-6),
        (abs(found["spread"] - spread), 0.5 + 1e-6),
        (abs(found["mean_u"] - error - 0.5), 0.5 + 1e-6),
        (abs(mean - half - found["low"]), 1 + wider),
        (abs(found["high"] - mean - half), 1 + wider),
        (abs(found["allowed_off"] - off_allowed), 0.5 + wider + 1e-6),
        (abs(found["allowed_spread"] - spread_allowed), 0.5 + 2e-3 * spread_allowed),
        (0 if found["verdict"] == verdict or near else 1, EXACT),
    )


def volume_of_mass(given, found):
    exact = Fraction(given["mg"]) * 10**6 * (1 - Fraction(1200, 8_000_000)) / (given["density"] - 1200)
    return abs(found - math.floor(exact + Fraction(1, 2))), EXACT


def student_t(given, found):
    exact = stats.t.ppf(0.975, given)
    return worst((abs(found / exact - 1), t_allowed(given)), (exact - found, 5.001e-4))


def combine(given, found):
    parts = numpy.array([u * c for u, c, _ in given["components"]])
    matrix = numpy.eye(len(parts))
    for a, b, r in given["correlations"]:
        matrix[a, b] = matrix[b, a] = r
    variance = float(parts @ matrix @ parts)
    standard = math.sqrt(max(variance, 0))
    weight = sum((u * c) ** 4 / nu for u, c, nu in given["components"] if nu is not None)
    effective = variance**2 / weight if weight and not given["correlations"] else None
    # Four thousand million degrees of freedom or more are told as unlimited.
    if effective is None or effective >= 2**32 - 1:
        degrees = 0 if found["degrees"] is None else 1
    else:
        degrees = 0 if found["degrees"] in (math.floor(effective * (1 - 1e-12)), math.floor(effective * (1 + 1e-12))) else 1
    return worst((abs(found["standard"] - standard), 1e-9 * standard + 1e-12), (degrees, EXACT))


def interval(found, value, standard):
    return worst(
        (abs(found["value"] - value), EXACT),
        (abs(found["standard"] - standard - 0.5), 0.5 + 1e-6),
        (abs(found["high"] - value - 2 * standard - 0.5), 0.5 + 1e-6),
        (abs(found["low"] - max(value - 2 * standard, 0.5) + 0.5), 0.5 + 1e-6),
    )


def charges_interval(given, found):
    n = len(given["charges"])
    matrix = numpy.full((n, n), float(given["shared"]) ** 2) + numpy.eye(n) * float(given["u"]) ** 2
    standard = math.sqrt(float(matrix.sum()))
    exact = 4 * (n * given["u"] ** 2 + (n * given["shared"]) ** 2)
    return worst(
        interval(found, sum(given["charges"]), standard),
        (abs(found["tolerance"] - math.isqrt(exact)), EXACT),
    )


def dose_interval(given, found):
    per = 1 / math.pi if given["girth"] else 1.0
    # A step s evenly spread: scipy's own uniform distribution instead of s/√12.
    parts = [stats.uniform(0, given["step"]).std() if given["step"] else 0.0, given["laying"], given["tape"]]
    standard = float(numpy.linalg.norm(parts)) * per * given["rate"] / 1e6
    return interval(found, given["rate"] * given["diameter"] // 1_000_000, standard)


def gauge_uncertainty(given, found):
    def charge(gauge):
        return Decimal(given["inner"]) * (1 - Decimal(given["air"]) / (gauge + given["air"]))

    step = Decimal("0.0001")
    slope = (charge(given["pa"] + step) - charge(given["pa"] - step)) / (2 * step)
    wanted = float(slope) * given["u"]
    return abs(found - wanted), 1e-9 * (1 + wanted)


def distance(given, found):
    (lat1, lon1), (lat2, lon2) = given
    exact = Geodesic.WGS84.Inverse(lat1 / 1e9, lon1 / 1e9, lat2 / 1e9, lon2 / 1e9)["s12"]
    return abs(found - exact), 1e-3


def area(given, found):
    polygon = Geodesic.WGS84.Polygon()
    for lat, lon in given:
        polygon.AddPoint(lat / 1e9, lon / 1e9)
    exact = abs(polygon.Compute()[2])
    # Planar, with straight sides where geographiclib's are geodesics.
    return abs(found / exact - 1), 1e-4


FORMULAS = {
    "stem.diameter_of_girth": diameter_of_girth, "stem.girth_of_diameter": girth_of_diameter,
    "stem.reading": reading, "stem.combined": combined, "stem.basal_area": basal_area,
    "dose.stem": stem_dose, "dose.season": season,
    "dose.area_season": area_season, "units.parse": unit, "units.temperature": temperature,
    "gas.compressibility": compressibility, "gas.expansion": expansion, "gas.gauge_at": gauge_at,
    "gas.atmosphere_at": atmosphere_at, "kit.working_limit": working_limit, "kit.charges": charges,
    "kit.gauge_after": gauge_after, "kit.settling": settling, "kit.leak_check": leak_check,
    "kit.trapped_charge": trapped_charge, "kit.warmed": warmed, "calibration.assess": assess,
    "calibration.volume_of_mass": volume_of_mass, "calibration.student_t": student_t,
    "uncertainty.combine": combine, "uncertainty.charges": charges_interval,
    "uncertainty.dose": dose_interval, "uncertainty.gauge": gauge_uncertainty, "geo.distance": distance,
    "geo.area": area, "charges.choose": oracle_plans.charge_plan, "layout.plan": oracle_plans.layout,
}


def main():
    totals = {}
    failed = {}
    for line in sys.stdin:
        case = json.loads(line)
        name = case["formula"]
        why = ""
        try:
            difference, allowed = FORMULAS[name](case["in"], case["out"])
        except (TypeError, KeyError, ValueError) as error:
            difference, allowed, why = math.inf, 0, f" ({error!r})"
        if not difference <= allowed:
            failed[name] = failed.get(name, 0) + 1
            if failed[name] <= 3:
                print(f"{name}: off by {difference}, allowed {allowed}{why}: {line.strip()}", file=sys.stderr)
        share = float(difference) / float(allowed) if allowed else float(difference)
        count, used, at = totals.get(name, (0, -1.0, (0, 0)))
        if share > used:
            used, at = share, (float(difference), float(allowed))
        totals[name] = (count + 1, used, at)
    for name in FORMULAS:
        count, _, (difference, allowed) = totals.get(name, (0, 0, (0, 0)))
        print(f"{name}: {count} cases, worst {difference:.3g} of {allowed:.3g} allowed")
    print(f"{sum(count for count, _, _ in totals.values())} cases, {sum(failed.values())} outside")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
