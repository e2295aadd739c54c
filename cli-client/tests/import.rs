//! `stand import`: any column names, and nothing half imported.

mod common;

use common::{Device, found};
use tempfile::TempDir;

fn office(base: &TempDir) -> Device {
    let office = Device::new(base, "office");
    found(&office);
    office
}

fn faults(device: &Device, csv: impl AsRef<[u8]>, options: &[&str]) -> Vec<String> {
    let file = device.file("bad.csv", csv);
    let mut args = vec!["stand", "import", &file];
    args.extend(options);
    let error = device.refused(4, &args);
    let faults = error["faults"].as_array().unwrap();
    assert!(device.json(&["tree", "list"])["trees"].as_array().unwrap().is_empty());
    faults
        .iter()
        .map(|f| {
            format!("{}/{}: {}", f["line"], f["column"].as_str().unwrap_or("-"), f["why"].as_str().unwrap())
        })
        .collect()
}

const METRES: [&str; 8] = ["--x", "E", "--y", "N", "--origin", "42.28,-83.74", "--dbh", "d"];

#[test]
fn every_bad_row_is_named_with_line_and_column_and_none_is_imported() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let csv = "E,N,d\n1,2,30\n1,x,30\n3,4,300\n5,6,NaN\n7,8,-3\n9,,20\n1,2\n\"2\n\",3,1e2\n";
    let found = faults(&device, csv, &METRES);
    let starts = ["3/N: ", "4/d: ", "5/d: ", "6/d: ", "7/E: ", "8/-: ", "9/d: "];
    assert_eq!(found.len(), starts.len(), "{found:#?}");
    for (fault, start) in found.iter().zip(starts) {
        assert!(fault.starts_with(start), "{fault} should start with {start}");
    }
}

#[test]
fn tags_that_stand_twice_are_faults() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let found = faults(&device, "tag,d\nA,30\na,31\n,32\n", &["--tag", "tag", "--dbh", "d"]);
    assert_eq!(found, ["3/tag: tag a is on line 2 too", "4/tag: there is no tag"]);
}

#[test]
fn a_column_that_is_not_there_is_named_with_those_that_are() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let found = faults(&device, "east,north\n1,2\n", &["--dbh", "dbh"]);
    assert_eq!(found, ["1/dbh: there is no column 'dbh'; there are: east, north"]);
}

#[test]
fn text_that_is_not_utf_8_is_named_and_refused() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let found = faults(&device, b"tag,d\nA\xe9,30\n", &["--tag", "tag", "--dbh", "d"]);
    assert!(found[0].starts_with("2/tag: it is not UTF-8 text"), "{found:?}");
}

#[test]
fn inches_girths_semicolons_byte_order_marks_and_degrees_are_all_read() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let file = device.file(
        "stand.csv",
        "\u{feff}Tag;Girth;Lat;Lon;Sp\nN1;46.5;42.2808;-83.743;frxam\nN2;14 13/16;42.28081234567;-83.74305;\n",
    );
    let answer = device.json(&[
        "stand",
        "import",
        &file,
        "--separator",
        ";",
        "--tag",
        "tag",
        "--girth",
        "girth",
        "--dbh-unit",
        "in",
        "--lat",
        "lat",
        "--lon",
        "lon",
        "--species-column",
        "sp",
    ]);
    assert_eq!((answer["trees"].as_u64(), answer["diameters"].as_u64()), (Some(2), Some(2)));
    let trees = device.json(&["tree", "list"]);
    // 46.5 in of girth are 14.801409707546267 in of diameter (computed from the exact definitions).
    assert_eq!(trees["trees"][0]["diameters_um"][0], 375_956);
    assert_eq!(trees["trees"][0]["species"], "FRXAM");
    let shown = device.json(&["tree", "show", "N2"]);
    let tree = &shown["facts"][0]["versions"][0]["record"]["body"];
    assert_eq!(tree["position"]["lat_ndeg"], 42_280_812_345_i64);
    let diameter = &shown["facts"][1]["versions"][0]["record"]["body"];
    assert_eq!(diameter["as_read"]["text"], "14 13/16");
}

#[test]
fn trees_are_placed_by_metres_from_the_origin() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let file = device.file("stand.csv", "E,N,d\n100,0,30\n0,100,31\n");
    let mut args = vec!["stand", "import", file.as_str()];
    args.extend(METRES);
    device.json(&args);
    let place = |tag| {
        let shown = device.json(&["tree", "show", tag]);
        let p = shown["facts"][0]["versions"][0]["record"]["body"]["position"].clone();
        (p["lat_ndeg"].as_i64().unwrap(), p["lon_ndeg"].as_i64().unwrap())
    };
    // One degree of latitude at 42.28° is 111.07 km, of longitude 82.46 km (WGS 84 series, to 0.1 %).
    let (east, north) = (place("1"), place("2"));
    assert!((east.1 - -83_740_000_000 - 1_212_700).abs() < 2_000, "{east:?}");
    assert!((north.0 - 42_280_000_000 - 900_300).abs() < 2_000, "{north:?}");
    assert_eq!((east.0, north.1), (42_280_000_000, -83_740_000_000));
}

/// A stand with all columns, two ways of writing a size, quotes, and tags of its own.
fn stand(run: usize) -> String {
    let mut csv = "tag,E,N,d,sp\n".to_owned();
    // Now and then one that is read otherwise, or not at all.
    let odd = ["\"31,5\"", "28.4 x 31.2", "", "14 1/2 in"].get(run % 12).copied().unwrap_or("41.25");
    for (row, size) in ["30", "31.5", odd, "22"].iter().enumerate() {
        csv.push_str(&format!("R{run}-{row},{}.5,-{row},{size},QUAL\n", run + row));
    }
    csv
}

/// Changes a file in up to three places: bytes, pieces doubled or cut out, what CSV readers stumble over.
fn mutated(csv: &str, random: &mut impl FnMut(usize) -> usize) -> Vec<u8> {
    const PIECES: [&[u8]; 18] = [
        b"\"",
        b",",
        b"\n",
        b"\r",
        b"\r\n",
        b"\0",
        b"\xff",
        b"\xef\xbb\xbf",
        b";",
        b"\t",
        b"-",
        b"1e9",
        b"NaN",
        b"99999999999999999999",
        b"\"\"",
        b"\xe2\x80\xae",
        b" ",
        b"='x'!A1",
    ];
    let mut bytes = csv.as_bytes().to_vec();
    for _ in 0..random(4) {
        let at = random(bytes.len());
        let end = (at + 1 + random(12)).min(bytes.len());
        match random(4) {
            0 => drop(bytes.splice(at..at, PIECES[random(PIECES.len())].iter().copied())),
            1 => drop(bytes.splice(at..end, PIECES[random(PIECES.len())].iter().copied())),
            2 => drop(bytes.drain(at..end)),
            _ => {
                let piece = bytes[at..end].to_vec();
                drop(bytes.splice(at..at, piece));
            }
        }
        if bytes.is_empty() {
            break;
        }
    }
    bytes
}

/// Every committed input, and changed stands from a seed: taken in whole, or refused with line and
/// reason and nothing kept; never a panic (exit code 101) or an error of another sort.
/// `BOLEBOOK_CSV_RUNS=5000` is the long form.
#[test]
fn i9_any_csv_is_taken_in_whole_or_refused_whole() {
    #[expect(clippy::disallowed_methods, reason = "the one setting of this test program")]
    let runs = std::env::var("BOLEBOOK_CSV_RUNS").ok().and_then(|n| n.parse().ok()).unwrap_or(120);
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let corpus = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/fuzz/corpus/csv");
    let mut inputs: Vec<Vec<u8>> =
        std::fs::read_dir(corpus).unwrap().map(|f| std::fs::read(f.unwrap().path()).unwrap()).collect();
    assert!(inputs.len() > 5, "{} committed inputs", inputs.len());
    // A plain generator (Marsaglia's xorshift64): the same inputs in every run.
    let mut state = 20_260_601_u64;
    let mut random = |n: usize| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state % n as u64) as usize
    };
    inputs.extend((0..runs).map(|run| mutated(&stand(run), &mut random)));
    let (count, mut trees, mut taken) = (inputs.len(), 0, 0);
    for input in inputs {
        let file = device.file("any.csv", &input);
        let args = ["--json", "stand", "import", &file, "--tag", "tag", "--species-column", "sp"];
        let run = device.run(&[&args[..], &METRES[..]].concat());
        let shown = String::from_utf8_lossy(&input);
        match run.exit {
            0 => {
                taken += 1;
                trees += run.json()["trees"].as_u64().unwrap();
            }
            4 => {
                let error = run.error();
                let faults = error["faults"].as_array().unwrap();
                let named =
                    |f: &serde_json::Value| f["line"].as_u64() > Some(0) && f["why"].as_str() != Some("");
                assert!(!faults.is_empty() && faults.iter().all(named), "{error}: {shown:?}");
            }
            other => panic!("exit code {other}: {run:?} of {shown:?}"),
        }
    }
    let there = device.json(&["tree", "list"])["trees"].as_array().unwrap().len() as u64;
    assert_eq!(there, trees, "nothing half imported");
    // 29 in a hundred get in (the same in every run): refusing is not all it does.
    assert!(taken * 100 >= count * 25, "{taken} of {count} taken in");
}
