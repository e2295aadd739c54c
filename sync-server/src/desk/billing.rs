//! The billing basis of a job, and the rates the office enters for it.
//!
//! Rates stand in this server's database alone: a book goes out on every crew's device.

use axum::response::{Html, Redirect};
use bolebook_core::export::schema::{Field, STATE};
use bolebook_core::export::{BILLING, BillingRates, billing_csv};
use bolebook_core::ids::BookId;
use bolebook_db::{Connection, OptionalExtension as _, params};
use maud::{Markup, html};

use crate::body::Id;
use crate::desk::forms::{Fields, Posted, unwritable};
use crate::desk::page::{Desk, Page, shown, text};
use crate::error::ApiError;
use crate::tables::read_csv;

/// The table.
pub const CREATE: &str =
    "CREATE TABLE IF NOT EXISTS billing_rates (book TEXT PRIMARY KEY, rates TEXT NOT NULL);";
const KEEP: &str =
    "INSERT INTO billing_rates VALUES (?1, ?2) ON CONFLICT (book) DO UPDATE SET rates = excluded.rates";

/// The rates, what they are for, and the field's name.
const RATES: [(&str, &str); 4] = [
    ("per_tree", "For each treated tree"),
    ("per_cm", "For each centimetre of diameter"),
    ("per_ml", "For each millilitre taken up"),
    ("per_hour", "For each crew's hour at its trees"),
];

/// The rates entered for a job.
///
/// # Errors
/// The database's; an internal error when what it holds cannot be read.
pub fn rates(db: &Connection, book: BookId) -> Result<Option<BillingRates>, ApiError> {
    let kept: Option<String> = db
        .query_row("SELECT rates FROM billing_rates WHERE book = ?1", [book.to_string()], |row| row.get(0))
        .optional()?;
    kept.map(|text| serde_json::from_str(&text).map_err(|e| ApiError::internal(&e))).transpose()
}

fn value(rates: Option<&BillingRates>, name: &str) -> String {
    rates.map_or_else(String::new, |r| {
        let value = match name {
            "per_tree" => r.per_tree,
            "per_cm" => r.per_cm,
            "per_ml" => r.per_ml,
            _ => r.per_hour,
        };
        value.to_string()
    })
}

fn form(desk: &Desk, book: BookId, rates: Option<&BillingRates>) -> Markup {
    html! {
        form method="post" action=(format!("/jobs/{book}/billing")) {
            (desk.token_field())
            p { label for="currency" { "Currency, three capital letters (ISO 4217)" } " " input id="currency" name="currency" required pattern="[A-Z]{3}" maxlength="3" size="4" value=(rates.map_or("", |r| r.currency.as_str())); }
            p { label for="decimals" { "Decimals of the currency (0 to 4)" } " " input id="decimals" name="decimals" type="number" min="0" max="4" required value=(rates.map_or(2, |r| r.decimals)); }
            p.small { "Rates are whole numbers of the currency's smallest unit: with 2 decimals, 150 is 1.50. Leave empty what you do not bill." }
            @for (name, what) in RATES {
                p { label for=(name) { (what) } " " input id=(name) name=(name) type="number" min="0" step="1" value=(value(rates, name)); }
            }
            button.main { "Keep the rates" }
        }
    }
}

/// The table as it stands in the file, but for the currency, which is said once, and the state.
fn basis(csv: &str, currency: &str) -> Markup {
    let rows = read_csv(csv);
    let shown = |f: &Field| f.name != "currency" && f.name != STATE.name;
    let columns: Vec<(usize, &Field)> = BILLING.iter().enumerate().filter(|(_, f)| shown(f)).collect();
    // A figure or a word of the program's own is never broken in two, as a crew's name may be.
    let own = |f: &Field| f.name != "crew";
    let figure = |f: &Field| !["day", "crew", "day_state"].contains(&f.name);
    let head = |f: &Field| f.name.replace("_ml", ", mL").replace("_cm", ", cm").replace('_', " ");
    html! {
        p { "Amounts in " (currency) "." }
        table.cards.billing {
            thead { tr { @for (_, f) in &columns { th.num[figure(f)] scope="col" { (head(f)) } } } }
            tbody { @for row in rows.iter().skip(1) { tr { @for (at, f) in &columns {
                @let cell = row.get(*at).map_or("", String::as_str);
                @if *at == 0 { th scope="row" { (if cell.is_empty() { "all days" } else { cell }) } }
                @else if own(f) { td.num[figure(f)] data-label=(head(f)) { (cell) } }
                @else { td data-label=(head(f)) { (text(cell)) } }
            } } } }
        }
    }
}

/// The page.
pub async fn page(desk: Desk, Id(book): Id<BookId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let job = desk.job(book)?;
        let kept = desk.app.read(|db| rates(db, book))?;
        let table = match &kept {
            Some(rates) => Some(billing_csv(&job.view, rates).map_err(|e| ApiError::internal(&e))?),
            None => None,
        };
        let body = html! {
            h1 { "Billing basis" }
            p { "What was done each crew-day, times your rates. Struck and held applications do not count; a tree and a stem count once a job. No rate comes with the program, and none stands in the books: they go out on every crew's device." }
            (form(desk, book, kept.as_ref()))
            @if let Some(csv) = &table { section aria-labelledby="at" {
                h2 id="at" { "At these rates" }
                (basis(csv, kept.as_ref().map_or("", |r| r.currency.as_str())))
                p { @for name in ["billing.csv", "billing.xlsx"] { a href=(format!("/jobs/{book}/exports/{name}")) download=(name) { (name) } " " } }
            } }
        };
        Ok(Page { title: format!("Billing, {}", job.view.title), job: Some((book, "billing")), body })
    })
    .await
}

fn read(fields: &Fields) -> Result<BillingRates, ApiError> {
    let number = |name: &str| {
        let text = fields.text(name);
        if text.is_empty() {
            return Ok(0);
        }
        text.parse::<i64>().map_err(|_| {
            unwritable(format!(
                "{name} is not a whole number of the currency's smallest unit: go back and correct it"
            ))
        })
    };
    let decimals = u32::try_from(number("decimals")?)
        .map_err(|_| unwritable("the decimals are 0 to 4: go back and correct them"))?;
    let rates = BillingRates {
        currency: fields.text("currency").to_owned(),
        decimals,
        per_cm: number("per_cm")?,
        per_ml: number("per_ml")?,
        per_tree: number("per_tree")?,
        per_hour: number("per_hour")?,
    };
    rates.check().map_err(|e| unwritable(e.to_string()))?;
    Ok(rates)
}

/// Keeps rates.
pub async fn keep(Id(book): Id<BookId>, Posted { desk, fields }: Posted) -> Result<Redirect, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |app| {
        desk.job(book)?;
        let rates = serde_json::to_string(&read(&fields)?).map_err(|e| ApiError::internal(&e))?;
        app.write(|tx| Ok(tx.execute(KEEP, params![book.to_string(), rates])?))?;
        Ok(Redirect::to(&format!("/jobs/{book}/billing?done=kept")))
    })
    .await
}
