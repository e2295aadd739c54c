//! Stems: from what the tape shows to a diameter, and back.

use crate::quantity::{AsRead, Measured, ReadUnit, ReadingError, Um, parse_decimal};

/// π scaled by 10¹⁸: girth and diameter are turned into each other without floats.
const PI_E18: i128 = 3_141_592_653_589_793_238;
const E18: i128 = 1_000_000_000_000_000_000;

/// Why a reading gives no diameter.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum StemError {
    /// The figure cannot be read.
    #[error(transparent)]
    Reading(#[from] ReadingError),
    /// The figure is zero or negative.
    #[error("a {what} of {text} {unit} is not a trunk: measure again")]
    NotPositive {
        /// Girth or diameter.
        what: &'static str,
        /// As read.
        text: String,
        /// Its unit.
        unit: &'static str,
    },
    /// A pair of girths: only a caliper is laid on twice.
    #[error("'{text}' is a pair, which only a caliper gives: a girth is read once")]
    GirthPair {
        /// As read.
        text: String,
    },
    /// A caliper pair of which one is more than twice the other.
    #[error("a caliper pair of {text} {unit} is not one trunk: measure again, and each stem apart")]
    PairApart {
        /// As read.
        text: String,
        /// Its unit.
        unit: &'static str,
    },
    /// The figure is beyond any trunk.
    #[error(
        "{echo} is more than any trunk that is injected: check the unit, and whether girth was taken for diameter"
    )]
    TooLarge {
        /// The reading in both measures.
        echo: String,
    },
}

/// Girth ÷ π, to the nearest micrometre.
pub fn diameter_of_girth(girth: Um) -> Um {
    Um(divide_rounded(i128::from(girth.0) * E18, PI_E18))
}

/// Diameter × π, to the nearest micrometre.
pub fn girth_of_diameter(diameter: Um) -> Um {
    Um(divide_rounded(i128::from(diameter.0) * PI_E18, E18))
}

fn divide_rounded(numerator: i128, denominator: i128) -> i64 {
    let half = if numerator < 0 { -denominator / 2 } else { denominator / 2 };
    i64::try_from((numerator + half) / denominator).unwrap_or(if numerator < 0 { i64::MIN } else { i64::MAX })
}

/// The diameter a reading gives.
///
/// A decimal figure in mm, cm or inches; inches may also be written as `14 13/16`. A diameter may be a
/// caliper pair, `28.4 x 31.2`, of which the mean counts ([`caliper_mean`]).
///
/// # Errors
/// [`StemError`] for what is no figure, is not positive, or is beyond any trunk
/// ([`crate::check::entry::MAX_DIAMETER_UM`]).
pub fn diameter_from_reading(reading: &AsRead) -> Result<Um, StemError> {
    let (what, unit) = (measured_name(reading.of), unit_name(reading.unit));
    let length = match caliper_pair(&reading.text) {
        None => Um(read_length(reading, &reading.text, what)?),
        Some(_) if reading.of == Measured::Girth => {
            return Err(StemError::GirthPair { text: reading.text.clone() });
        }
        Some((one, other)) => {
            let [one, other] = [read_length(reading, one, what)?, read_length(reading, other, what)?];
            // A trunk twice as thick one way as the other is a slip, or two stems (common practice, no source).
            if one.min(other) > 0 && one.max(other) / 2 > one.min(other) {
                return Err(StemError::PairApart { text: reading.text.clone(), unit });
            }
            if one <= 0 || other <= 0 { Um(0) } else { caliper_mean(Um(one), Um(other)) }
        }
    };
    if length.0 <= 0 {
        return Err(StemError::NotPositive { what, text: reading.text.clone(), unit });
    }
    let diameter = match reading.of {
        Measured::Girth => diameter_of_girth(length),
        Measured::Diameter => length,
    };
    if diameter.0 > crate::check::entry::MAX_DIAMETER_UM {
        return Err(StemError::TooLarge { echo: echo(reading, diameter) });
    }
    Ok(diameter)
}

/// The two figures of a caliper pair as written: `28.4 x 31.2`.
fn caliper_pair(text: &str) -> Option<(&str, &str)> {
    text.split_once(['x', 'X', '×'])
}

fn read_length(reading: &AsRead, text: &str, what: &'static str) -> Result<i64, ReadingError> {
    let text = text.trim();
    if reading.unit == ReadUnit::In && text.contains('/') {
        return read_fraction(text, what);
    }
    // A tape may show decimals finer than a micrometre (0.00001 in): those are refused, not rounded.
    parse_decimal(text, reading.unit.um(), what)
}

/// Inches as `14 13/16` or `13/16`, rounded down to a micrometre.
fn read_fraction(text: &str, what: &'static str) -> Result<i64, ReadingError> {
    let error = |why| ReadingError { text: text.chars().take(40).collect(), what, why };
    let (whole, fraction) = text.rsplit_once(' ').unwrap_or(("0", text));
    let (above, below) = fraction.split_once('/').unwrap_or((fraction, "1"));
    let number = |s: &str| match s.trim() {
        t if !t.is_empty() && t.len() <= 6 && t.bytes().all(|b| b.is_ascii_digit()) => t.parse::<i64>().ok(),
        _ => None,
    };
    let (Some(whole), Some(above), Some(below)) = (number(whole), number(above), number(below)) else {
        return Err(error("write inches and a fraction, like 14 13/16"));
    };
    if below == 0 || above >= below || below > 128 {
        return Err(error("the fraction must lie between 0 and 1, in 128ths at the finest"));
    }
    Ok(whole * 25_400 + above * 25_400 / below)
}

/// The step a reading was taken to, from its last written place: `94.5` cm is read to 1 mm, `14 13/16`
/// in to a sixteenth. Zero for what is no reading.
pub fn step_um(reading: &AsRead) -> Um {
    let text = caliper_pair(&reading.text).map_or(reading.text.as_str(), |(one, _)| one).trim();
    let unit = reading.unit.um();
    if let Some((_, below)) = text.rsplit_once('/') {
        return Um(below.trim().parse::<i64>().ok().filter(|b| *b > 0).map_or(0, |below| unit / below));
    }
    let places = text.rsplit_once(['.', ',']).map_or(0, |(_, places)| places.len());
    Um(u32::try_from(places).ok().and_then(|n| 10i64.checked_pow(n)).map_or(0, |parts| unit / parts))
}

/// The mean of a caliper pair: two readings at right angles (Forest Measurements, open textbook §3.2).
pub fn caliper_mean(a: Um, b: Um) -> Um {
    Um(divide_rounded(i128::from(a.0) + i128::from(b.0), 2))
}

/// √Σd² of several stems, rounded down: for the stand table, and for a dose only where the label
/// asks for it (USDA FIADB User Guide v9.3 §3.2.11). Never put into one stem.
pub fn combined(diameters: &[Um]) -> Um {
    let squares =
        diameters.iter().map(|d| u128::from(d.0.unsigned_abs()).pow(2)).fold(0u128, u128::saturating_add);
    Um(i64::try_from(squares.isqrt()).unwrap_or(i64::MAX))
}

/// Basal area of a stem in square metres: π/4 · d² (π/40000 per cm²). A prediction, for tables.
pub fn basal_area_m2(diameter: Um) -> f64 {
    let metres = diameter.0 as f64 / 1e6;
    core::f64::consts::FRAC_PI_4 * metres * metres
}

/// Both measures of a reading: `girth 94 cm = diameter 29.9 cm`.
pub fn echo(reading: &AsRead, diameter: Um) -> String {
    let (text, unit) = (reading.text.trim(), unit_name(reading.unit));
    match reading.of {
        Measured::Girth => format!("girth {text} {unit} = diameter {} cm", diameter.cm()),
        Measured::Diameter => {
            format!("diameter {text} {unit} = girth {} cm", girth_of_diameter(diameter).cm())
        }
    }
}

fn measured_name(of: Measured) -> &'static str {
    match of {
        Measured::Girth => "girth",
        Measured::Diameter => "diameter",
    }
}

fn unit_name(unit: ReadUnit) -> &'static str {
    match unit {
        ReadUnit::Mm => "mm",
        ReadUnit::Cm => "cm",
        ReadUnit::In => "in",
    }
}

/// A mistake a reading looks like, held against the stand it is in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Outlier {
    /// About π times too large: a girth entered as a diameter.
    GirthAsDiameter,
    /// About π times too small: a diameter entered as a girth.
    DiameterAsGirth,
    /// About 2.54 times too large: centimetres entered as inches.
    CentimetresAsInches,
    /// About 2.54 times too small: inches entered as centimetres.
    InchesAsCentimetres,
    /// Outside the stand, and no known mistake brings it back.
    Unlike,
}

impl Outlier {
    /// The question to the person who measured.
    pub fn question(self) -> &'static str {
        match self {
            Self::GirthAsDiameter => "was a girth entered as a diameter?",
            Self::DiameterAsGirth => "was a diameter entered as a girth?",
            Self::CentimetresAsInches => "were centimetres entered as inches?",
            Self::InchesAsCentimetres => "were inches entered as centimetres?",
            Self::Unlike => "is it the right tree?",
        }
    }
}

/// What mistake a diameter looks like beside the earlier diameter of the same tree, if any.
///
/// A true tree does not grow or shrink by 8 % of these factors between two visits.
pub fn looks_like(earlier: Um, now: Um) -> Option<Outlier> {
    if earlier.0 <= 0 || now.0 <= 0 {
        return None;
    }
    let near = |factor_e3: i128, a: Um, b: Um| {
        let (ratio, wanted) = (i128::from(a.0) * 1_000_000, i128::from(b.0) * factor_e3 * 1_000);
        (ratio - wanted).abs() * 100 <= wanted * 8
    };
    match () {
        () if near(3_142, now, earlier) => Some(Outlier::GirthAsDiameter),
        () if near(3_142, earlier, now) => Some(Outlier::DiameterAsGirth),
        () if near(2_540, now, earlier) => Some(Outlier::CentimetresAsInches),
        () if near(2_540, earlier, now) => Some(Outlier::InchesAsCentimetres),
        () => None,
    }
}

/// Fewest other stems that make a stand to be held against.
pub const LEAST_STAND: usize = 10;

/// Fewest other stems that are held against at all, with a wider margin than a stand's.
pub const LEAST_OTHERS: usize = 3;

/// What mistake a diameter looks like beside the other stems of its stand (best of its species),
/// if it lies outside them; `None` with fewer than [`LEAST_OTHERS`] others.
///
/// Outside is a quarter beyond the largest or below the smallest of the others, the outermost
/// hundredth (at least one) left away on each side, so that one earlier mistake does not hide the
/// next; with fewer than [`LEAST_STAND`] others, 1.8 times the largest or under the smallest by that
/// factor, none left away (common practice, no source). Of the mistakes whose correction lies inside, the one nearest
/// the middle is named. A mistake that stays inside the stand cannot be seen here: for that the
/// reading is echoed in both measures ([`echo`]).
pub fn outlier_in_stand(others: &[Um], diameter: Um) -> Option<Outlier> {
    let mut sorted: Vec<i64> = others.iter().map(|d| d.0).filter(|d| *d > 0).collect();
    if sorted.len() < LEAST_OTHERS || diameter.0 <= 0 {
        return None;
    }
    // Few others: none can be left away, and the next may well differ more from them.
    let few = sorted.len() < LEAST_STAND;
    let cut = if few { 0 } else { (sorted.len() / 100).max(1) };
    let (above, below) = if few { (9, 5) } else { (5, 4) };
    let from_top = sorted.len() - 1 - cut;
    let high = *sorted.select_nth_unstable(from_top).1;
    let low = *sorted.select_nth_unstable(cut).1;
    let middle_at = sorted.len() / 2;
    let middle = *sorted.select_nth_unstable(middle_at).1;
    let (d, most, least) =
        (i128::from(diameter.0), i128::from(high) * above / below, i128::from(low) * below / above);
    let (mistakes, too_large) = match () {
        () if d > most => ([(Outlier::GirthAsDiameter, 3_142), (Outlier::CentimetresAsInches, 2_540)], true),
        () if d < least => {
            ([(Outlier::DiameterAsGirth, 3_142), (Outlier::InchesAsCentimetres, 2_540)], false)
        }
        () => return None,
    };
    let corrected = mistakes.into_iter().map(|(mistake, factor_e3)| {
        (mistake, if too_large { d * 1_000 / factor_e3 } else { d * factor_e3 / 1_000 })
    });
    let inside = corrected.filter(|(_, c)| (least..=most).contains(c));
    // Nearness to the middle as a ratio, so that halves and doubles are equally far.
    let ratio = |c: i128| c.max(i128::from(middle)) * 1_000_000 / c.min(i128::from(middle)).max(1);
    Some(inside.min_by_key(|(_, c)| ratio(*c)).map_or(Outlier::Unlike, |(mistake, _)| mistake))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str, unit: ReadUnit, of: Measured) -> Result<Um, StemError> {
        diameter_from_reading(&AsRead { text: text.into(), unit, of })
    }

    /// Computed from exact definitions: 100 cm of girth are 31.830988618379067 cm of diameter, 46.5 in
    /// are 14.801409707546267 in (an extension page's worked example says 14.8).
    #[test]
    fn girth_over_pi_gives_the_worked_diameters() {
        assert_eq!(read("100", ReadUnit::Cm, Measured::Girth), Ok(Um(318_310)));
        assert_eq!(read("46.5", ReadUnit::In, Measured::Girth), Ok(Um(375_956)));
        let girth = girth_of_diameter(Um(375_956));
        assert!((girth.0 - 1_181_100).abs() <= 2, "{girth}");
    }

    /// Chojnacky & Rogers 1999, West. J. Appl. For. 14(1):14, fig. 1: 4.0, 10.5, 6.1 give 12.8
    /// (exact 12.785148); FIA field guide, from memory: 12.2, 13.2, 3.8, 22.1 give 28.7 (28.738998).
    #[test]
    fn several_stems_combine_as_in_the_published_examples() {
        let inches = |tenths: &[i64]| combined(&tenths.iter().map(|t| Um(t * 2_540)).collect::<Vec<_>>());
        assert_eq!(inches(&[40, 105, 61]).0, 324_742);
        assert_eq!(inches(&[122, 132, 38, 221]).0, 729_970);
    }

    /// π/40000 = 7.853981633974483e-5 m² per cm² (computed from the definition).
    #[test]
    fn basal_area_of_one_centimetre_is_the_published_constant() {
        assert!((basal_area_m2(Um(10_000)) - 7.853_981_633_974_483e-5).abs() < 1e-18);
    }

    #[test]
    fn a_reading_is_echoed_in_both_measures() {
        let reading = AsRead { text: "94".into(), unit: ReadUnit::Cm, of: Measured::Girth };
        assert_eq!(
            echo(&reading, diameter_from_reading(&reading).unwrap()),
            "girth 94 cm = diameter 29.9 cm"
        );
    }

    /// By hand: (28.4 + 31.2) / 2 = 29.8.
    #[test]
    fn a_caliper_pair_counts_with_its_mean() {
        assert_eq!(read("28.4 x 31.2", ReadUnit::Cm, Measured::Diameter), Ok(Um(298_000)));
        assert_eq!(read("11 1/2×12", ReadUnit::In, Measured::Diameter), Ok(Um(298_450)));
        for wrong in ["28.4 x 0", "-1 x 2", "10 x 31", "28 x", "x", "1 x 2 x 3"] {
            assert!(read(wrong, ReadUnit::Cm, Measured::Diameter).is_err(), "{wrong}");
        }
        assert!(read("94 x 95", ReadUnit::Cm, Measured::Girth).is_err(), "a girth is read once");
    }

    #[test]
    fn a_reading_is_as_fine_as_its_last_written_place() {
        let step = |text: &str, unit| step_um(&AsRead { text: text.into(), unit, of: Measured::Girth }).0;
        assert_eq!((step("94", ReadUnit::Cm), step("94.5", ReadUnit::Cm)), (10_000, 1_000));
        assert_eq!((step("14 13/16", ReadUnit::In), step("14.8", ReadUnit::In)), (1_587, 2_540));
        assert_eq!((step("1/0", ReadUnit::In), step(&format!("1.{}", "0".repeat(99)), ReadUnit::Cm)), (0, 0));
    }

    #[test]
    fn what_is_no_trunk_is_refused() {
        for (text, unit) in
            [("0", ReadUnit::Cm), ("-3", ReadUnit::Cm), ("300", ReadUnit::Cm), ("NaN", ReadUnit::Cm)]
        {
            assert!(read(text, unit, Measured::Diameter).is_err(), "{text}");
        }
        assert_eq!(read("14 13/16", ReadUnit::In, Measured::Diameter), Ok(Um(376_237)));
        assert!(read("14 17/16", ReadUnit::In, Measured::Diameter).is_err());
        assert!(read("1/0", ReadUnit::In, Measured::Diameter).is_err());
    }

    #[test]
    fn a_factor_of_pi_or_an_inch_is_noticed() {
        assert_eq!(looks_like(Um(300_000), Um(942_000)), Some(Outlier::GirthAsDiameter));
        assert_eq!(looks_like(Um(300_000), Um(95_500)), Some(Outlier::DiameterAsGirth));
        assert_eq!(looks_like(Um(300_000), Um(760_000)), Some(Outlier::CentimetresAsInches));
        assert_eq!(looks_like(Um(300_000), Um(118_000)), Some(Outlier::InchesAsCentimetres));
        assert_eq!(looks_like(Um(300_000), Um(310_000)), None);
    }

    /// Diameters of 584 longleaf pines in tenths of a centimetre (Platt, Evans & Rathbun 1988, Am.
    /// Nat. 131:491-525; see `tests/data/longleaf.NOTE.md`).
    fn longleaf() -> Vec<Um> {
        let text = include_str!("../../../tests/data/longleaf.csv");
        let cm =
            |line: &str| Um(parse_decimal(line.rsplit(',').next().unwrap(), 10_000, "diameter").unwrap());
        text.lines().skip(1).map(cm).collect()
    }

    #[test]
    fn no_tree_of_a_real_stand_is_doubted() {
        let stand = longleaf();
        assert_eq!(stand.len(), 584);
        for (i, diameter) in stand.iter().enumerate() {
            let others: Vec<Um> = [&stand[..i], &stand[i + 1..]].concat();
            assert_eq!(outlier_in_stand(&others, *diameter), None, "{diameter}");
        }
    }

    #[test]
    fn a_girth_entered_as_a_diameter_stands_out_of_a_real_stand() {
        let stand = longleaf();
        let (mut seen, mut of) = (0, 0);
        for diameter in stand.iter().filter(|d| d.0 >= 280_000) {
            of += 1;
            seen += usize::from(outlier_in_stand(&stand, girth_of_diameter(*diameter)).is_some());
        }
        assert_eq!((seen, of), (of, of));
        assert_eq!(outlier_in_stand(&stand, Um(942_000)), Some(Outlier::GirthAsDiameter));
        assert_eq!(outlier_in_stand(&stand, Um(i64::MAX)), Some(Outlier::Unlike));
        assert_eq!(outlier_in_stand(&stand, Um(1_000)), Some(Outlier::Unlike));
    }

    #[test]
    fn one_earlier_mistake_does_not_hide_the_next_and_few_trees_are_held_against_widely() {
        let mut stand: Vec<Um> = (0..12).map(|i| Um(250_000 + i * 10_000)).collect();
        stand.push(Um(942_000));
        assert_eq!(outlier_in_stand(&stand, Um(950_000)), Some(Outlier::GirthAsDiameter));
        assert_eq!(outlier_in_stand(&stand, Um(120_000)), Some(Outlier::InchesAsCentimetres));
        let few = &stand[..9];
        assert_eq!(outlier_in_stand(few, Um(942_000)), Some(Outlier::GirthAsDiameter));
        assert_eq!(outlier_in_stand(few, Um(590_000)), None, "1.8 times the largest of few");
        assert_eq!(outlier_in_stand(&stand[..3], Um(82_000)), Some(Outlier::DiameterAsGirth));
        assert_eq!(outlier_in_stand(&stand[..2], Um(950_000)), None);
    }
}
