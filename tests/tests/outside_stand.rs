//! Diameters, basal area and a whole mapped stand against figures that are not ours.

use std::process::Command;

use bolebook_core::dosing::stem::{
    basal_area_m2, combined, diameter_from_reading, diameter_of_girth, girth_of_diameter,
};
use bolebook_core::facts::{Facts, NoDays};
use bolebook_core::geo;
use bolebook_core::quantity::{AsRead, Measured, ReadUnit, Ul, Um};
use bolebook_core::record::stand::{Corner, Position};
use bolebook_core::record::{Body, Kind};
use bolebook_probe::Everyone;
use bolebook_tests::root;
use bolebook_tests::stand::{ORIGIN, job, label, longleaf, reading};
use serde_json::Value;

fn read(text: &str, unit: ReadUnit, of: Measured) -> Um {
    diameter_from_reading(&AsRead { text: text.into(), unit, of }).unwrap()
}

/// Micrometres, rounded to the nearest, from a figure in another unit.
fn um(value: f64, um_each: f64) -> i64 {
    (value * um_each).round() as i64
}

/// Forestry extension pages work it out as 14.8 in; 14.801409707546267 in and 31.830988618379067 cm
/// are girth ÷ π computed from the definition.
#[test]
fn girths_give_the_diameters_of_the_worked_examples() {
    assert_eq!(read("46.5", ReadUnit::In, Measured::Girth).0, um(14.801_409_707_546_267, 25_400.0));
    assert_eq!(read("100", ReadUnit::Cm, Measured::Girth).0, um(31.830_988_618_379_067, 10_000.0));
    assert_eq!(girth_of_diameter(diameter_of_girth(Um(1_000_000))).0, 1_000_000);
}

/// The inch is 25.4 mm exactly, 1/64 in is 0.396875 mm, a 15/64 in bit 5.953125 mm (NIST SP 811).
#[test]
fn inches_and_their_fractions_are_exact_to_the_micrometre() {
    assert_eq!(read("1", ReadUnit::In, Measured::Diameter), Um(25_400));
    assert_eq!(read("12", ReadUnit::In, Measured::Diameter).0, 304_800);
    assert_eq!(read("1/64", ReadUnit::In, Measured::Diameter).0, 396);
    assert_eq!(read("15/64", ReadUnit::In, Measured::Diameter).0, 5_953);
}

/// Chojnacky & Rogers 1999, West. J. Appl. For. 14(1):14, fig. 1: 4.0, 10.5 and 6.1 in give 12.8 in
/// (12.785148 by the arithmetic). 12.2, 13.2, 3.8 and 22.1 in give 28.7 in: FIA field guide, from
/// memory (28.738998). USDA FIADB User Guide v9.3 §3.2.11 gives the formula √Σd².
#[test]
fn several_stems_combine_to_the_published_figures() {
    for (stems, published, exact) in
        [(&[4.0, 10.5, 6.1][..], "12.8", 12.785_148), (&[12.2, 13.2, 3.8, 22.1][..], "28.7", 28.738_998)]
    {
        let stems: Vec<Um> = stems.iter().map(|d| Um(um(*d, 25_400.0))).collect();
        let inches = combined(&stems).0 as f64 / 25_400.0;
        assert_eq!(format!("{inches:.1}"), published);
        assert!((inches - exact).abs() < 1e-4, "{inches}");
    }
}

/// π/576 ft² per in² of diameter and π/40000 m² per cm², computed from the definitions.
#[test]
fn basal_area_has_the_constants_of_both_systems() {
    let square_feet = basal_area_m2(Um(25_400)) / 0.3048f64.powi(2);
    assert!((square_feet - 0.005_454_153_912_482_28).abs() < 1e-15, "{square_feet}");
    assert!((basal_area_m2(Um(10_000)) - 7.853_981_633_974_483e-5).abs() < 1e-18);
}

/// Figures of the longleaf stand (Platt, Evans & Rathbun 1988, see tests/data/longleaf.NOTE.md),
/// computed from the file with other tools.
#[test]
fn the_longleaf_stand_has_its_known_diameters_and_basal_area() {
    let mut diameters: Vec<Um> =
        longleaf().iter().map(|t| diameter_from_reading(&reading(t)).unwrap()).collect();
    diameters.sort();
    let cm = |d: &Um| d.0 as f64 / 10_000.0;
    assert_eq!(diameters.len(), 584);
    assert_eq!(diameters.iter().copied().sum::<Um>(), Um(156_767_000));
    let squares: f64 = diameters.iter().map(|d| cm(d).powi(2)).sum();
    assert!((squares - 616_725.87).abs() < 1e-6, "{squares}");
    assert!((156_767_000.0 / 584.0 / 1e4 - 26.843_664_38f64).abs() < 1e-8);
    assert!(((cm(&diameters[291]) + cm(&diameters[292])) / 2.0 - 26.15).abs() < 1e-9);
    assert_eq!((diameters[0], diameters[583]), (Um(20_000), Um(759_000)));
    let quadratic_mean = combined(&diameters).0 as f64 / 584f64.sqrt() / 1e4;
    assert!((quadratic_mean - 32.496_730).abs() < 1e-5, "{quadratic_mean}");
    let per_hectare: f64 = diameters.iter().map(|d| basal_area_m2(*d)).sum::<f64>() / 4.0;
    assert!((per_hectare - 12.109_384_14).abs() < 1e-8, "{per_hectare}");
    assert_eq!(diameters.iter().filter(|d| d.0 >= 300_000).count(), 271);
    let tenths_of_inches: i64 = diameters.iter().map(|d| d.0 / 2_540).sum();
    assert_eq!(tenths_of_inches, 61_430);
    let rounded: i64 = diameters.iter().map(|d| (d.0 + 1_270) / 2_540).sum();
    assert_eq!(rounded, 61_718);
}

/// geographiclib 2.1 and pyproj 3.7.2 agree on 2093.561895 m around this rectangle, its sides geodesics.
#[test]
fn the_way_around_the_reference_rectangle_is_geographiclibs() {
    let any = geo::place(ORIGIN, Um(0), Um(0));
    let corner = |lat: i64, lon: i64| Position { lat_ndeg: lat * 100_000, lon_ndeg: lon * 100_000, ..any };
    let [north, south, east, west] = [427_375, 427_325, -845_495, -845_555];
    let corners = [corner(south, west), corner(south, east), corner(north, east), corner(north, west)];
    let around: f64 = (0..4).map(|i| geo::distance_m(&corners[i], &corners[(i + 1) % 4])).sum();
    assert!((around - 2_093.561_895).abs() < 4e-3, "{around}");
}

/// R's data set `trees`: 31 black cherries, diameters in inches at 4 ft 6 in (Ryan, Joiner & Ryan 1976,
/// the figures from memory); their sum is 410.7 in (computed with other tools).
#[test]
fn thirty_one_cherries_read_in_inches_add_up_exactly() {
    let read = "8.3 8.6 8.8 10.5 10.7 10.8 11.0 11.0 11.1 11.2 11.3 11.4 11.4 11.7 12.0 12.9 12.9 13.3 13.7 13.8 \
        14.0 14.2 14.5 16.0 16.3 17.3 17.5 17.9 18.0 18.0 20.6";
    let diameter = |text: &str| {
        diameter_from_reading(&AsRead { text: text.into(), unit: ReadUnit::In, of: Measured::Diameter })
            .unwrap()
    };
    let all: Vec<Um> = read.split(' ').filter(|t| !t.is_empty()).map(diameter).collect();
    assert_eq!((all.len(), all.iter().copied().sum::<Um>()), (31, Um(4_107 * 2_540)));
}

/// scipy 1.17.1 on the file: mean distance to the nearest neighbour 3.443066976 m, 861 pairs within
/// 5 m, 2337 within 10 m. Here the stand is put on the ellipsoid and measured there again.
#[test]
fn the_longleaf_stand_keeps_its_distances_on_the_ellipsoid() {
    let places: Vec<Position> = longleaf().iter().map(|t| geo::place(ORIGIN, t.x, t.y)).collect();
    let (mut nearest, mut within_5, mut within_10) = (vec![f64::INFINITY; places.len()], 0, 0);
    for i in 0..places.len() {
        for j in 0..i {
            let metres = geo::distance_m(&places[i], &places[j]);
            nearest[i] = nearest[i].min(metres);
            nearest[j] = nearest[j].min(metres);
            // Many pairs of the map are exactly 5 or 10 m apart; the next distance is 1 mm or 0.5 mm more.
            within_5 += usize::from(metres <= 5.0 + 3e-4);
            within_10 += usize::from(metres <= 10.0 + 3e-4);
        }
    }
    let mean = nearest.iter().sum::<f64>() / places.len() as f64;
    assert!((mean - 3.443_066_976).abs() < 1e-3, "{mean}");
    assert_eq!((within_5, within_10), (861, 2_337));
    nearest.sort_unstable_by(f64::total_cmp);
    let median = f64::midpoint(nearest[291], nearest[292]);
    assert!((median - 2.762_243).abs() < 1e-3, "{median}");
    // scipy's convex hull of the stand has 38446.98 m².
    let mut hull: Vec<(f64, f64)> = vec![];
    let mut points: Vec<(f64, f64)> = longleaf().iter().map(|t| (t.x.0 as f64, t.y.0 as f64)).collect();
    points.sort_by(|a, b| a.partial_cmp(b).unwrap());
    let left =
        |a: (f64, f64), b: (f64, f64), c: (f64, f64)| (b.0 - a.0) * (c.1 - a.1) > (b.1 - a.1) * (c.0 - a.0);
    for half in [points.clone(), points.iter().rev().copied().collect()] {
        let from = hull.len();
        for point in half {
            while hull.len() >= from + 2 && !left(hull[hull.len() - 2], hull[hull.len() - 1], point) {
                hull.pop();
            }
            hull.push(point);
        }
        hull.pop();
    }
    let corner = |(x, y): &(f64, f64)| {
        let place = geo::place(ORIGIN, Um(*x as i64), Um(*y as i64));
        Corner { lat_ndeg: place.lat_ndeg, lon_ndeg: place.lon_ndeg }
    };
    let area = geo::area_m2(&hull.iter().map(corner).collect::<Vec<_>>());
    assert!((area - 38_446.98).abs() < 4.0, "{area}");
}

/// Python works the doses out from the file alone, in exact fractions.
#[test]
fn planned_doses_of_the_longleaf_stand_add_up_to_what_python_finds_in_the_file() {
    let (_, label) = label();
    let rate = label.rates[0].usual_ul_per_m;
    let output = Command::new(xtask::setup::python().unwrap())
        .arg(root().join("tests/reference/stand_figures.py"))
        .arg(root().join("tests/data/longleaf.csv"))
        .args([rate.0.to_string(), label.smallest_diameter_um.0.to_string()])
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let found: Value = serde_json::from_slice(&output.stdout).unwrap();

    let book = job(&longleaf(), 7, |n| format!("L-{n:03}"));
    let facts = Facts::fold(&book, &Everyone, &NoDays);
    let doses: Vec<Ul> = facts
        .in_force(Kind::Dose)
        .filter_map(|f| match &facts.shown(f).record.body {
            Body::Dose(dose) => Some(dose.target_ul),
            _ => None,
        })
        .collect();
    assert!(doses.len() > 400 && doses.len() < 584);
    assert_eq!(found["dosed"], doses.len());
    assert_eq!(found["doses_ul"], doses.iter().copied().sum::<Ul>().0);
    assert_eq!(found["trees"], facts.in_force(Kind::Tree).count());
    // The same script on figures known from elsewhere, so that it is not trusted blindly.
    assert_eq!(found["sum_mm"], 156_767);
    assert_eq!((&found["pairs_5_m"], &found["pairs_10_m"]), (&861.into(), &2_337.into()));
    assert!((found["mean_nearest_m"].as_f64().unwrap() - 3.443_066_976).abs() < 1e-8);
}
