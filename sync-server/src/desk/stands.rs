//! The stand of a job from a table: the file is read, its columns are matched, what would be added
//! and what is wrong is shown line by line; then every tree is added, or none.

use axum::response::{Html, Response};
use bolebook_core::entering::stand::{Columns, Fault, Reading, Row, Sheet, tags};
use bolebook_core::figures::corner;
use bolebook_core::ids::{BlockId, BookId};
use bolebook_core::quantity::{Measured, ReadUnit};
use bolebook_core::record::stand::ReferenceMark;
use maud::{Markup, html};

use crate::body::Id;
use crate::desk::blocks::choices;
use crate::desk::entry::{Answer, Form, Problems, Typed, answered, words};
use crate::desk::forms::{Posted, unwritable};
use crate::desk::page::{Desk, Page, shown, text};
use crate::desk::stand_files::{self, MOST_LINES};
use crate::desk::upload::{MAX_FILE_BYTES, Upload};
use crate::desk::waiting::{self, Purpose};
use crate::desk::write::{Staged, fresh, write};
use crate::error::ApiError;
use crate::snapshot::JobState;

/// Faults and trees shown; their number is always said.
const SHOWN: usize = 100;
/// Names a column of a kind is likely to have.
const LIKELY: [(&str, &[&str]); 7] = [
    ("tag", &["tag", "tree", "tree_id", "treeid", "id", "number", "no", "nr"]),
    ("size", &["dbh", "dbh_cm", "diameter", "diameter_cm", "girth", "girth_cm", "circumference"]),
    ("species", &["species", "species_code", "eppo", "code"]),
    ("lat", &["lat", "latitude"]),
    ("lon", &["lon", "lng", "long", "longitude"]),
    ("north", &["y", "northing", "north"]),
    ("east", &["x", "easting", "east"]),
];

/// The way in: a file.
pub async fn page(desk: Desk, Id(book): Id<BookId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let job = desk.job(book)?;
        let body = html! {
            h1 { "The stand from a table" }
            p { (job.view.trees.len()) " trees are listed. A table adds trees; what is listed already stays as it is." }
            section aria-labelledby="import" {
                h2 id="import" { "Choose the table" }
                p { "CSV (comma, semicolon or tabulator) or XLSX (its first sheet), the first line the column names; at most " (MAX_FILE_BYTES / 1024 / 1024) " MB and " (MOST_LINES) " trees at once. You match its columns next, and see what would be added before anything is." }
                form.stacked method="post" action=(format!("/jobs/{book}/stand")) enctype="multipart/form-data" {
                    (desk.token_field())
                    label for="file" { "Table" }
                    input id="file" type="file" name="file" required accept=".csv,.tsv,.txt,.xlsx,text/csv";
                    button { "Read the file" }
                }
            }
        };
        Ok(Page { title: format!("Stand, {}", job.view.title), job: Some((book, "setup")), body })
    })
    .await
}

/// Reads a table.
pub async fn file(Id(book): Id<BookId>, upload: Upload) -> Result<Response, ApiError> {
    let Upload { desk, name, bytes, .. } = upload;
    answered(desk, move |desk| {
        desk.job(book)?;
        sheet(&name, &bytes)?;
        waiting::keep(desk, book, Purpose::Stand, &name, &bytes)?;
        Ok(Answer::Went(format!("/jobs/{book}/stand/match")))
    })
    .await
}

fn sheet(name: &str, bytes: &[u8]) -> Result<Sheet, ApiError> {
    stand_files::read(bytes).map_err(|e| unwritable(format!("{name}: {e}")))
}

fn waits(desk: &Desk, book: BookId) -> Result<(String, Sheet), ApiError> {
    let Some((name, bytes)) = waiting::of(desk, book, Purpose::Stand)? else {
        return Err(ApiError::not_found(
            "no table waits here: it is forgotten after half an hour. Choose it again",
        ));
    };
    let sheet = sheet(&name, &bytes)?;
    Ok((name, sheet))
}

/// The columns as they are most likely meant.
fn guessed(sheet: &Sheet) -> Typed {
    let mut typed = Typed::default();
    for (kind, names) in LIKELY {
        if let Some(at) = names.iter().find_map(|n| sheet.column(n)) {
            typed.put(format!("column.{kind}"), at.to_string());
        }
    }
    let size =
        typed.some("column.size").and_then(|at| at.parse::<usize>().ok()).and_then(|at| sheet.names.get(at));
    let girth = size.is_some_and(|n| !n.to_lowercase().contains("d"));
    typed.put("of", if girth { "girth" } else { "diameter" });
    let degrees = typed.some("column.lat").is_some() && typed.some("column.lon").is_some();
    let plane = typed.some("column.north").is_some() && typed.some("column.east").is_some();
    typed.put(
        "position",
        if degrees {
            "degrees"
        } else if plane {
            "plane"
        } else {
            "none"
        },
    );
    typed
}

/// The matcher, with the columns guessed.
pub async fn match_page(desk: Desk, Id(book): Id<BookId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let (file, sheet) = waits(desk, book)?;
        Ok(matcher(desk, desk.job(book)?, &file, &sheet, &guessed(&sheet), &Problems::default(), None))
    })
    .await
}

/// Looks, adds all, or discards.
pub async fn matched(Id(book): Id<BookId>, Posted { desk, fields }: Posted) -> Result<Response, ApiError> {
    answered(desk, move |desk| {
        let job = desk.job(book)?;
        if fields.text("do") == "discard" {
            waiting::forget(desk)?;
            return Ok(Answer::Went(format!("/jobs/{book}/stand")));
        }
        let (file, sheet) = waits(desk, book)?;
        let typed = Typed::of(&fields);
        let mut problems = Problems::default();
        let said = read(job, &typed, &sheet, &mut problems);
        let Some((reading, block, mark)) = said.filter(|_| problems.none()) else {
            return Ok(Answer::Refused(matcher(desk, job, &file, &sheet, &typed, &problems, None)));
        };
        let there = tags(&job.view);
        let found = sheet.trees(&reading, |tag| there.contains(&tag.trim().to_uppercase()));
        let add = fields.text("do") == "add" && typed.text("checked") == typed.digest();
        let rows = match &found {
            Ok(rows) if add => rows,
            Ok(_) => {
                return Ok(Answer::Page(matcher(desk, job, &file, &sheet, &typed, &problems, Some(&found))));
            }
            Err(_) => {
                return Ok(Answer::Refused(matcher(
                    desk,
                    job,
                    &file,
                    &sheet,
                    &typed,
                    &problems,
                    Some(&found),
                )));
            }
        };
        let mut records = vec![];
        for row in rows {
            let id = fresh(desk)?;
            records.push(Staged::named(id, row.tree(block, mark)));
            records.extend(row.diameter(id, job.view.job.breast_height_um).map(Staged::new));
        }
        write(desk, book, records, Some(&job.view.heads))?;
        waiting::forget_added(desk);
        Ok(Answer::Went(format!("/jobs/{book}/trees?done=imported")))
    })
    .await
}

type Said = (Reading, Option<BlockId>, Option<ReferenceMark>);

/// How the form says the table is read.
fn read(job: &JobState, typed: &Typed, sheet: &Sheet, problems: &mut Problems) -> Option<Said> {
    let mut column = |kind: &str| -> Option<usize> {
        let path = format!("column.{kind}");
        let at = typed.some(&path)?.parse::<usize>().ok().filter(|at| *at < sheet.names.len());
        if at.is_none() {
            problems.wrong(path, "the table has no such column");
        }
        at
    };
    let (tag, size, species) = (column("tag"), column("size"), column("species"));
    let (lat, lon, north, east) = (column("lat"), column("lon"), column("north"), column("east"));
    let (east, north, plane) = match typed.text("position") {
        "degrees" => (lon, lat, false),
        "plane" => (east, north, true),
        _ => (None, None, false),
    };
    if typed.text("position") != "none" && (east.is_none() || north.is_none()) {
        problems.wrong("position", "a position needs both of its columns");
    }
    let plane = if plane {
        let origin = corner(typed.text("origin")).map_err(|e| problems.wrong("origin", e.to_string())).ok();
        let unit = typed.text("xy_unit");
        if !["m", "ft", "cm"].contains(&unit) {
            problems.wrong("xy_unit", "choose the unit of eastings and northings");
        }
        Some((origin?, unit.to_owned()))
    } else {
        None
    };
    let unit = match typed.text("unit") {
        "mm" => Some(ReadUnit::Mm),
        "cm" => Some(ReadUnit::Cm),
        "in" => Some(ReadUnit::In),
        _ if size.is_none() => Some(ReadUnit::Cm),
        _ => {
            problems.wrong("unit", "choose the unit of diameters or girths");
            None
        }
    };
    let block = match typed.some("block") {
        None => None,
        Some(id) => match choices(job).into_iter().find(|(known, _)| known == id) {
            Some((known, _)) => known.parse().ok(),
            None => {
                problems.wrong("block", "the job has no such block");
                None
            }
        },
    };
    let mark = match typed.text("mark") {
        "north" => Some(ReferenceMark::North),
        "tag" => Some(ReferenceMark::Tag),
        _ => None,
    };
    let of = if typed.text("of") == "girth" { Measured::Girth } else { Measured::Diameter };
    let species_of_all = typed.some("species").map(str::to_owned);
    let reading = Reading {
        columns: Columns { tag, size, species, east, north },
        prefix: typed.text("prefix").to_owned(),
        of,
        unit: unit?,
        species: species_of_all,
        plane,
    };
    Some((reading, block, mark))
}

fn matcher(
    desk: &Desk,
    job: &JobState,
    file: &str,
    sheet: &Sheet,
    typed: &Typed,
    problems: &Problems,
    found: Option<&Result<Vec<Row>, Vec<Fault>>>,
) -> Page {
    let book = job.view.book;
    let form = Form { typed, problems };
    let columns: Vec<(String, String)> = sheet
        .names
        .iter()
        .enumerate()
        .map(|(at, name)| (at.to_string(), format!("{}: {name}", at + 1)))
        .collect();
    let column = |kind: &str, label: &str, hint: &str| {
        form.choice(&format!("column.{kind}"), label, hint, false, &columns)
    };
    let body = html! {
        p { a href=(format!("/jobs/{book}/stand")) { "← The stand from a table" } }
        h1 { "Columns of " (text(file)) }
        (problems.summary())
        section aria-labelledby="first" {
            h2 id="first" { "Its first lines, of " (sheet.len()) }
            table.plain tabindex="0" aria-labelledby="first" {
                thead { tr { @for name in &sheet.names { th scope="col" { (text(name)) } } } }
                tbody { @for row in sheet.first(3) { tr { @for cell in row { td { (text(&cell.chars().take(60).collect::<String>())) } } } } }
            }
        }
        form.paper method="post" action=(format!("/jobs/{book}/stand/match")) novalidate {
            (desk.token_field())
            p { button.main name="do" value="look" { "Look what would be added" } " " button name="do" value="discard" { "Discard the file" } }
            section aria-labelledby="which" {
                h2 id="which" { "Which column is which" }
                div.entries {
                    (column("tag", "Tags", "Without one, trees are numbered."))
                    (form.text("prefix", "What numbered tags begin with", "", false, "text"))
                    (column("species", "Species (EPPO codes)", ""))
                    (form.text("species", "Species where the table says none", "EPPO code.", false, "text"))
                    (column("size", "Diameters or girths at breast height", ""))
                    (form.choice("of", "They are", "", false, &words(&[("diameter", "diameters"), ("girth", "girths")])))
                    (form.choice("unit", "Their unit, where none is written", "", false, &words(&[("mm", "mm"), ("cm", "cm"), ("in", "in")])))
                    (form.choice("position", "Positions are", "", true, &words(&[("none", "not in the table"), ("degrees", "latitude and longitude in degrees"), ("plane", "eastings and northings from a place")])))
                    (column("lat", "Latitudes", "")) (column("lon", "Longitudes", ""))
                    (column("east", "Eastings (x)", "")) (column("north", "Northings (y)", ""))
                    (form.choice("xy_unit", "Unit of eastings and northings", "", false, &words(&[("m", "m"), ("ft", "ft"), ("cm", "cm")])))
                    (form.text("origin", "Where both are 0", "LAT,LON in degrees.", false, "text"))
                    (form.choice("block", "Block they stand in", "", false, &choices(job)))
                    (form.choice("mark", "Lasting mark that arcs are measured from", "", false, &words(&[("north", "the north side"), ("tag", "the middle of the tag")])))
                }
            }
            @if let Some(found) = found { (result(desk, typed, found)) }
        }
    };
    Page { title: "Columns of a stand".into(), job: Some((book, "setup")), body }
}

fn result(desk: &Desk, typed: &Typed, found: &Result<Vec<Row>, Vec<Fault>>) -> Markup {
    html! {
        section.result aria-labelledby="result" {
            @match found {
                Err(faults) => {
                    h2.fault id="result" { (faults.len()) @if faults.len() == 1 { " thing is wrong" } @else { " things are wrong" } }
                    p { "Nothing is added while one of them is. Correct the table and read it again, or choose other columns." }
                    table.cards {
                        thead { tr { th scope="col" { "Line" } th scope="col" { "Column" } th scope="col" { "What is wrong" } } }
                        tbody { @for fault in faults.iter().take(SHOWN) { tr {
                            th scope="row" { (fault.line) }
                            td data-label="Column" { (text(fault.column.as_deref().unwrap_or(""))) }
                            td data-label="What is wrong" { (text(&fault.why)) }
                        } } }
                    }
                    @if faults.len() > SHOWN { p { "The first " (SHOWN) " are shown." } }
                }
                Ok(rows) => {
                    h2 id="result" { (rows.len()) " trees would be added, " (rows.iter().filter(|r| r.size.is_some()).count()) " with diameters, " (rows.iter().filter(|r| r.position.is_some()).count()) " with positions" }
                    table.cards {
                        thead { tr { th scope="col" { "Tag" } th scope="col" { "Species" } th.num scope="col" { "Diameter" } th scope="col" { "Latitude, longitude" } } }
                        tbody { @for row in rows.iter().take(SHOWN) { tr {
                            th scope="row" { (text(&row.tag)) }
                            td data-label="Species" { (text(row.species.as_deref().unwrap_or(""))) }
                            td.num data-label="Diameter" { @if let Some((read, d)) = &row.size { (d.cm()) " cm" @if read.of == Measured::Girth { " (girth " (text(&read.text)) ")" } } }
                            td data-label="Latitude, longitude" { @if let Some(p) = &row.position { (degrees(p.lat_ndeg)) ", " (degrees(p.lon_ndeg)) } }
                        } } }
                    }
                    @if rows.len() > SHOWN { p { "The first " (SHOWN) " are shown." } }
                    input type="hidden" name="checked" value=(typed.digest());
                    p { button.main name="do" value="add" disabled[desk.read_only.is_some()] { "Add all " (rows.len()) } }
                }
            }
        }
    }
}

fn degrees(ndeg: i64) -> String {
    bolebook_core::quantity::decimal(ndeg, 1_000_000_000, 6)
}
