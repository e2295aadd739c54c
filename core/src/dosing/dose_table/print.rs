//! The dose table as text, CSV and a page to print.

use std::fmt::{self, Write as _};

use crate::dosing::charges::Fill;
use crate::dosing::dose_table::{DoseTable, DoseTableError, Entry, Row, length};
use crate::dosing::picture::wrapped;
use crate::dosing::supply::line;
use crate::quantity::ReadUnit;

/// The columns of the CSV form. Diameters in the unit named in each row, volumes in millilitres.
pub const COLUMNS: &[&str] = &[
    "diameter_from",
    "diameter_below",
    "unit",
    "usual_ml",
    "max_ml",
    "charges",
    "fills",
    "total_ml",
    "holes",
    "note",
    "purpose",
    "product",
    "registration",
    "label_version",
    "invented",
    "printed",
];

/// How to read the table, for whoever holds it in the hand.
const HOW: &str = "Take the row whose 'from' is at or below the diameter and whose 'below' is above it. \
Never more than the row says: a stem between two rows belongs to the lower one. \
Where 'usual' is above 'most', the label's limit per tree and season holds the dose down. Out of date as soon as \
the office enters another label version: the version on the container and the version here must agree. \
Label, local law and the licensed applicator in charge go before this table.";

impl DoseTable {
    /// RFC 4180 CSV, one row a line of the table; text a spreadsheet would run as a formula is made inert.
    ///
    /// # Errors
    /// [`DoseTableError::Csv`] when the writer fails.
    pub fn csv(&self) -> Result<String, DoseTableError> {
        let failed = |e: &dyn fmt::Display| DoseTableError::Csv(e.to_string());
        let mut out = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(vec![]);
        out.write_record(COLUMNS).map_err(|e| failed(&e))?;
        for row in &self.rows {
            let [usual, most, count, fills, total, holes, note] = cells(row);
            let (from, below) = (length(row.from_um, self.unit), length(row.below_um, self.unit));
            let fields = [
                from,
                below,
                unit(self.unit).into(),
                usual,
                most,
                count,
                inert(&fills),
                total,
                holes,
                inert(&note),
                inert(&self.purpose),
                inert(&self.label.name),
                inert(&self.label.registration),
                self.label.version.to_string(),
                self.label.invented.as_deref().map(inert).unwrap_or_default(),
                self.printed.to_string(),
            ];
            out.write_record(fields).map_err(|e| failed(&e))?;
        }
        let bytes = out.into_inner().map_err(|e| failed(&e.error()))?;
        String::from_utf8(bytes).map_err(|e| failed(&e))
    }

    /// A page to print: no script, black on white, heading repeated on every sheet, all text escaped.
    pub fn html(&self) -> String {
        let mut out = String::new();
        // Writing to a string cannot fail; looked at so that a table is never cut short unseen.
        if self.write_html(&mut out).is_err() { "the table could not be written".to_owned() } else { out }
    }

    fn write_html(&self, out: &mut String) -> fmt::Result {
        let unit = unit(self.unit);
        let title = format!("Dose table: {}, {}", self.label.name, self.purpose);
        write!(
            out,
            "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{}</title>\n\
             <style>{STYLE}</style>\n</head>\n<body>\n<h1>{}</h1>\n",
            escaped(&title),
            escaped(&title)
        )?;
        for text in self.label.to_string().lines() {
            writeln!(out, "<p class=\"label\">{}</p>", escaped(text))?;
        }
        writeln!(out, "<p>{} Printed {}.</p>", escaped(&self.containers_line()), self.printed)?;
        writeln!(out, "<p>{HOW}</p>")?;
        write!(
            out,
            "<table>\n<thead>\n<tr><th scope=\"col\">from {unit}</th><th scope=\"col\">below {unit}</th>\
             <th scope=\"col\">charges</th><th scope=\"col\">holes</th><th scope=\"col\">total mL</th>\
             <th scope=\"col\">usual mL</th><th scope=\"col\">most mL</th></tr>\n</thead>\n<tbody>\n"
        )?;
        for row in &self.rows {
            let (from, below) = (length(row.from_um, self.unit), length(row.below_um, self.unit));
            write!(out, "<tr><th scope=\"row\">{from}</th><td>{below}</td>")?;
            match &row.entry {
                Ok(entry) => write!(
                    out,
                    "<td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td>",
                    escaped(&fills(entry)),
                    entry.holes,
                    entry.plan.total_ul.ml_exact(),
                    entry.usual_ul.ml_exact(),
                    entry.max_ul.ml_exact()
                )?,
                Err(why) => write!(out, "<td colspan=\"5\">{}</td>", escaped(&why.to_string()))?,
            }
            writeln!(out, "</tr>")?;
        }
        out.push_str("</tbody>\n</table>\n</body>\n</html>\n");
        Ok(())
    }

    fn containers_line(&self) -> String {
        let names: Vec<String> = self.containers.iter().map(|c| line(c)).collect();
        let mix = self
            .mix
            .as_ref()
            .map(|mix| format!(" Filled with a mix of {}; total, usual and most are of product.", line(mix)));
        format!("Containers: {}.{}", names.join(", "), mix.unwrap_or_default())
    }
}

impl fmt::Display for DoseTable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "DOSE TABLE: {}", line(&self.purpose))?;
        writeln!(f, "{}", self.label)?;
        writeln!(f, "{} Printed {}.", self.containers_line(), self.printed)?;
        for text in wrapped(HOW, TEXT_SIGNS) {
            writeln!(f, "{text}")?;
        }
        writeln!(f)?;
        let unit = unit(self.unit);
        let row = |f: &mut fmt::Formatter<'_>, cells: [&str; 7]| {
            let [from, below, charges, holes, total, usual, most] = cells;
            writeln!(f, "{from:>8} {below:>8}  {charges:<26} {holes:>5} {total:>9} {usual:>9} {most:>9}")
        };
        let (from, below) = (format!("from {unit}"), format!("below {unit}"));
        row(f, [&from, &below, "charges", "holes", "total mL", "usual mL", "most mL"])?;
        for line in &self.rows {
            let (from, below) = (length(line.from_um, self.unit), length(line.below_um, self.unit));
            match &line.entry {
                Ok(entry) => {
                    let (total, usual) = (entry.plan.total_ul.ml_exact(), entry.usual_ul.ml_exact());
                    let most = entry.max_ul.ml_exact();
                    row(f, [&from, &below, &fills(entry), &entry.holes.to_string(), &total, &usual, &most])?;
                }
                Err(why) => writeln!(f, "{from:>8} {below:>8}  {why}")?,
            }
        }
        Ok(())
    }
}

/// Signs of a line above the text table, which is as wide.
const TEXT_SIGNS: usize = 85;

/// Usual, most, number of charges, fills, total, holes and note of a row.
fn cells(row: &Row) -> [String; 7] {
    match &row.entry {
        Ok(entry) => [
            entry.usual_ul.ml_exact(),
            entry.max_ul.ml_exact(),
            entry.plan.charges_ul.len().to_string(),
            fills(entry),
            entry.plan.total_ul.ml_exact(),
            entry.holes.to_string(),
            String::new(),
        ],
        Err(why) => {
            let empty = String::new;
            [empty(), empty(), empty(), empty(), empty(), empty(), why.to_string()]
        }
    }
}

/// `7 × 10.0 mL, 1 × 4.0 mL`.
fn fills(entry: &Entry) -> String {
    let fill = |f: &Fill| match f.mix_ul {
        Some(mix) => format!("{} × {} mL mix", f.count, mix.ml_exact()),
        None => format!("{} × {} mL", f.count, f.charge_ul.ml_exact()),
    };
    entry.plan.fills.iter().map(fill).collect::<Vec<_>>().join(", ")
}

fn unit(unit: ReadUnit) -> &'static str {
    match unit {
        ReadUnit::Mm => "mm",
        ReadUnit::Cm => "cm",
        ReadUnit::In => "in",
    }
}

/// Text that a spreadsheet would run as a formula gets a leading apostrophe (OWASP, CSV injection).
fn inert(text: &str) -> String {
    match text.chars().next() {
        Some('=' | '+' | '-' | '@' | '\t' | '\r') => format!("'{text}"),
        _ => text.to_owned(),
    }
}

/// Text in an HTML page: the five characters that could leave it are written as references.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

const STYLE: &str = "body{font:12pt/1.35 sans-serif;color:#000;background:#fff;margin:1.2cm}\
h1{font-size:16pt;margin:0 0 .3em}p{margin:.2em 0 .6em}.label{font-weight:bold}\
table{border-collapse:collapse;width:100%}thead{display:table-header-group}tr{break-inside:avoid}\
th,td{border:1px solid #000;padding:.25em .5em;text-align:right;font-size:14pt}\
td:nth-child(3){text-align:left}td[colspan]{text-align:left;font-size:11pt}\
tbody tr:nth-child(5n){border-bottom:3px solid #000}@media print{body{margin:0}}";
