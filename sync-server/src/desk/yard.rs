//! Labels with their entry state, kits and lots, to be looked at.

use axum::response::Html;
use bolebook_core::dosing::label::{confirmation_problems, validate};
use bolebook_core::facts::Fact;
use bolebook_core::ids::{LabelId, RecordId};
use bolebook_core::quantity::{Pa, UlPerM, decimal};
use bolebook_core::record::label::{Label, LabelConfirmation};
use bolebook_core::record::{Body, Kind};
use maud::{Markup, html};

use crate::body::Id;
use crate::desk::entry::{Problems, Typed};
use crate::desk::label_preview::{containers, table};
use crate::desk::lot_edit;
use crate::desk::page::{Desk, Page, clean, shown, text};
use crate::desk::people::{today, until};
use crate::desk::words::spelled;
use crate::error::ApiError;

fn confirmation(desk: &Desk, label: LabelId) -> Option<(&LabelConfirmation, Option<RecordId>)> {
    let version = desk.snapshot.yard.confirmed(label)?;
    match &version.record.body {
        Body::LabelConfirmation(c) => Some((c, version.record.envelope.by)),
        _ => None,
    }
}

/// Whether a label may be used, in a word, and why not.
fn entry_state(desk: &Desk, id: LabelId, label: &Label) -> Markup {
    let problems = validate(label);
    let blocks = problems.iter().filter(|p| p.blocks()).count();
    let over = label.expires.is_some_and(|d| today(desk).days_until(d) < 0);
    html! {
        @if blocks > 0 { span.tag.open { "does not close" } " " span.muted { (blocks) " problems" } }
        @else if over { span.tag.open { "past its last day" } }
        @else {
            @match confirmation(desk, id) {
                None => { span.tag.warn { "waits for a second person" } }
                Some((c, by)) => {
                    @if confirmation_problems(label, c).is_empty() { span.tag.settled { "confirmed" } @if let Some(by) = by { " " span.muted { "by " (text(&desk.snapshot.names.named(by))) } } }
                    @else { span.tag.open { "confirmation does not agree" } }
                }
            }
        }
        @if let Some(invented) = &label.invented { " " span.tag.warn { (text(invented)) } }
    }
}

/// The labels.
pub async fn labels(desk: Desk) -> Result<Html<String>, ApiError> {
    shown(desk, |desk| {
        let facts = &desk.snapshot.yard.facts;
        let labels: Vec<_> = facts.in_force(Kind::Label).collect();
        let body = html! {
            h1 { "Labels" }
            p { "A label is usable after a second licensed person has entered its rates again from the paper. Every figure comes from the paper label; Bolebook ships none." }
            p { a.button href="/labels/new" { "Enter a label" } }
            @if labels.is_empty() { p { "No label yet." } } @else {
                table.cards {
                    thead { tr { th scope="col" { "Label" } th scope="col" { "Registration" } th scope="col" { "Active ingredients" } th scope="col" { "Last day" } th scope="col" { "State" } } }
                    tbody {
                        @for fact in labels {
                            @let version = facts.shown(fact);
                            @if let Body::Label(label) = &version.record.body {
                                tr {
                                    th scope="row" { a href=(format!("/labels/{}", version.id())) { (text(&label.name)) } @if fact.history.len() > 1 { " " span.muted { "version " (fact.history.len()) } } }
                                    td data-label="Registration" { (text(&label.registration)) }
                                    td data-label="Active ingredients" { @for a in &label.active_ingredients { p { (text(&a.name)) ", " (decimal(a.ug_per_ml, 1_000, 3)) " mg/mL" } } }
                                    td data-label="Last day" { @match label.expires { Some(d) => { (until(today(desk), d)) } None => { "not said" } } }
                                    td data-label="State" { (entry_state(desk, version.id(), label)) }
                                }
                            }
                        }
                    }
                }
            }
        };
        Ok(Page { title: "Labels".into(), job: None, body })
    })
    .await
}

/// Millilitres per centimetre.
fn rate(rate: UlPerM) -> String {
    decimal(rate.0, 100_000, 3)
}

/// One label version.
pub async fn label(desk: Desk, Id(id): Id<RecordId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let yard = &desk.snapshot.yard;
        let label = yard.label(id).ok_or_else(|| ApiError::not_found("the yard has no such label version"))?;
        let versions: Vec<RecordId> = yard
            .facts
            .fact_of(id)
            .map(|f: &Fact| f.history.iter().map(|v| yard.facts.versions[*v].id()).collect())
            .unwrap_or_default();
        let problems = validate(label);
        let h = &label.holes;
        let body = html! {
            p { a href="/labels" { "← Labels" } }
            h1 { (text(&label.name)) }
            p.lead { "Registration " (text(&label.registration)) ". " (entry_state(desk, id, label)) }
            @if desk.snapshot.yard.label_now(id) == id {
                p.acts-line {
                    @if desk.snapshot.yard.confirmed(id).is_none() { a.button href=(format!("/labels/{id}/confirm")) { "Confirm it as the second person" } " " }
                    a.button href=(format!("/labels/new?from={id}")) { "Enter a new version" }
                }
            }
            @if !problems.is_empty() {
                section aria-labelledby="problems" { h2 id="problems" { "What does not close" } ul { @for p in &problems { li { @if p.blocks() { strong { "Stops its use: " } } (text(&p.to_string())) } } } }
            }
            section aria-labelledby="cautions" {
                h2 id="cautions" { "Cautions and first aid" }
                ul.cautions { @for c in label.cautions.iter().chain(&label.first_aid) { li { (text(c)) } } }
            }
            section aria-labelledby="rates" {
                h2 id="rates" { "Rates, in mL of product per cm of diameter" }
                table.plain tabindex="0" aria-labelledby="rates" {
                    thead { tr { th scope="col" { "Purpose" } th scope="col" { "Diameters" } th.num scope="col" { "Least" } th.num scope="col" { "Usual" } th.num scope="col" { "Most" } } }
                    tbody { @for r in &label.rates { tr {
                        th scope="row" { (text(&r.purpose)) }
                        td { "from " (r.from_um.cm()) " cm" @if let Some(b) = r.below_um { " to below " (b.cm()) " cm" } }
                        td.num { (rate(r.min_ul_per_m)) } td.num { (rate(r.usual_ul_per_m)) } td.num { (rate(r.max_ul_per_m)) }
                    } } }
                }
                @if label.rates.iter().any(|r| r.per_inch.is_some()) {
                    p { "Entered in inches; doses are worked from these figures, per inch of diameter:" }
                    ul { @for r in &label.rates { @if let Some(p) = &r.per_inch { li { (text(&r.purpose)) " from " (r.from_um.cm()) " cm: " (p.min_ul.ml_exact()) " / " (p.usual_ul.ml_exact()) " / " (p.max_ul.ml_exact()) " mL (least / usual / most)" } } } }
                }
            }
            section aria-labelledby="worked" {
                h2 id="worked" { "Doses worked from it" }
                (table(label, &containers(desk, label, None), today(desk)))
            }
            section aria-labelledby="rest" {
                h2 id="rest" { "The rest" }
                dl.facts {
                    dt { "Species" } dd { (text(&label.species.join(", "))) }
                    dt { "Pests" } dd { (text(&label.pests.join(", "))) }
                    dt { "Smallest diameter" } dd { (label.smallest_diameter_um.cm()) " cm" }
                    dt { "Stems forking below breast height" } dd { (spelled(label.forked)) }
                    dt { "Holes" } dd { (h.bit_um.mm()) " mm bit, " (h.depth_min_um.mm()) " to " (h.depth_max_um.mm()) " mm in sapwood, " (h.spacing_um.cm()) " cm apart around the trunk, " (h.band_low_um.cm()) " to " (h.band_high_um.cm()) " cm above ground" }
                    dt { "Closing holes" } dd { (spelled(h.sealing)) }
                    dt { "At one hole" } dd { "at most " (label.charges.most_per_hole_ul.ml_exact()) " mL, " (label.charges.per_hole) @if label.charges.per_hole == 1 { " charge" } @else { " charges" } ", part charges " @if label.charges.part_charge { "allowed" } @else { "not allowed" } }
                    @if let Some(v) = label.tree_season_max_ul { dt { "Most per tree and season" } dd { (v.ml_exact()) " mL" } }
                    @if let Some(v) = label.tree_season_max_ul_per_m { dt { "Most per tree and season by diameter" } dd { (rate(v)) " mL per cm" } }
                    @if let Some(v) = label.interval_days { dt { "Shortest interval" } dd { (v) " days" } }
                    @if let Some(p) = label.pressure_max_pa { dt { "Highest pressure" } dd { (kpa(p)) } }
                    @if label.conditions.not_in_bloom { dt { "Bloom" } dd { "not before or in bloom" } }
                    @if label.conditions.not_for_food { dt { "Food" } dd { "not where sap, fruit, nuts or leaves are eaten" } }
                    @for c in &label.conditions.closed { dt { "Closed" } dd { (text(&c.from)) " to " (text(&c.to)) ": " (text(&c.why)) } }
                    dt { "Versions" } dd { @for (i, v) in versions.iter().enumerate() { @if i > 0 { ", " } @if *v == id { strong { (i + 1) } } @else { a href=(format!("/labels/{v}")) { (i + 1) } } } }
                }
            }
        };
        Ok(Page { title: label.name.clone(), job: None, body })
    })
    .await
}

fn kpa(p: Pa) -> String {
    format!("{} kPa", decimal(p.0, 1_000, 0))
}

/// The kits.
pub async fn kits(desk: Desk) -> Result<Html<String>, ApiError> {
    shown(desk, |desk| {
        let yard = &desk.snapshot.yard;
        let today = today(desk);
        let body = html! {
            h1 { "Kits" }
            p { "A kit is worked no higher than its weakest part and the label allow. None or an overdue inspection stops its use." }
            p { a.button href="/kits/new" { "Enter a kit" } }
            table.cards {
                thead { tr { th scope="col" { "Kit" } th scope="col" { "Crew" } th scope="col" { "Inspection due" } th scope="col" { "Relief valve due" } th.num scope="col" { "Lowest rating" } th scope="col" { "Gauge" } th scope="col" { "Containers" } } }
                tbody {
                    @for fact in yard.facts.in_force(Kind::Kit) {
                        @if let Some(kit) = yard.kit(fact.id) {
                            @let lowest = Pa(kit.reservoir.rating_pa.0.min(kit.hose_rating_pa.0).min(kit.fittings_rating_pa.0));
                            tr {
                                th scope="row" { (text(&kit.name)) br; span.muted { "serial " (text(&kit.reservoir.serial)) } br; a href=(format!("/kits/new?from={}", fact.id)) { "enter a new version" span.unseen { " of " (clean(&kit.name)) } } }
                                td data-label="Crew" { (text(&kit.crew.map(|c| yard.crew_name(c)).unwrap_or_default())) }
                                td data-label="Inspection due" { (until(today, kit.inspection_due)) }
                                td data-label="Relief valve due" { (until(today, kit.reservoir.relief_due)) }
                                td.num data-label="Lowest rating" { (kpa(lowest)) }
                                td data-label="Gauge" { "to " (kpa(kit.gauge.range_pa)) ", checked " span.nowrap { (kit.gauge.checked) } }
                                td data-label="Containers" { @for c in &kit.containers { p { (text(&c.name)) ": " (c.charge_ul.ml_exact()) " mL" } } }
                            }
                        }
                    }
                }
            }
        };
        Ok(Page { title: "Kits".into(), job: None, body })
    })
    .await
}

/// The lots.
pub async fn lots(desk: Desk) -> Result<Html<String>, ApiError> {
    shown(desk, |desk| Ok(lots_page(desk, &Typed::default(), &Problems::default()))).await
}

/// The lots, and the form of a new one with what was typed into it.
pub fn lots_page(desk: &Desk, typed: &Typed, problems: &Problems) -> Page {
    let yard = &desk.snapshot.yard;
    let today = today(desk);
    let balance = desk.snapshot.balance();
    let body = html! {
        h1 { "Lots" }
        (problems.summary())
        (lot_edit::form(desk, typed, problems))
        table.cards {
            thead { tr { th scope="col" { "Lot" } th scope="col" { "Label" } th scope="col" { "Last day" } th.num scope="col" { "On hand" } th.num scope="col" { "Unexplained" } th scope="col" { "Use" } } }
            tbody {
                @for fact in yard.facts.in_force(Kind::Lot) {
                    @if let Some(lot) = yard.lot(fact.id) {
                        @let row = balance.lots.iter().find(|l| l.lot == fact.id);
                        tr {
                            th scope="row" { (text(&lot.number)) @if let Some(why) = &lot.recalled { br; span.tag.open { "recalled: " (text(why)) } } }
                            td data-label="Label" { (text(&yard.label(lot.label).map_or_else(|| "unknown".into(), |l| l.name.clone()))) }
                            td data-label="Last day" { (until(today, lot.expires)) }
                            td.num data-label="On hand" { @if let Some(r) = row { (r.on_hand_ul.ml()) " mL" @if r.counted_at.is_none() { br; span.muted { "never counted" } } } @else { "none" } }
                            td.num data-label="Unexplained" { @if let Some(r) = row { a href="/balance" { (r.unexplained_ul.ml()) " mL" } } }
                            td data-label="Use" { @if lot.recalled.is_none() { (lot_edit::recall_form(desk, fact.id, lot)) } @else { "taken out" } }
                        }
                    }
                }
            }
        }
    };
    Page { title: "Lots".into(), job: None, body }
}
