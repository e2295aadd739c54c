//! Trees, applications, and what is kept whatever became of it: violations and struck work.

use bolebook_core::finding::{Finding, State};

use super::{MOST_ROWS, Writer, ml};
use crate::Reader;
use crate::layout::BODY;
use crate::table::{Table, column, figures};

/// Every tree.
pub fn trees(w: &mut Writer<'_, '_, '_>) {
    w.section("report-trees");
    let columns = vec![
        column(w.say("tag"), 1.3),
        column(w.say("species"), 1.0),
        column(w.say("report-block"), 1.1),
        figures(w.say("report-diameter"), 0.9),
        column(w.say("report-became"), 2.4),
        column(w.say("report-first-day"), 1.1),
        figures(w.say("report-put-in"), 1.1),
        figures(w.say("report-discharged"), 1.1),
    ];
    let mut table = Table::begin(&mut w.flow, columns);
    let view = w.asked.view;
    for at in 0..w.seen.trees.len().min(MOST_ROWS) {
        let shown = &w.seen.trees[at];
        let listed = view.tree(shown.id);
        let block =
            listed.and_then(|t| t.block).and_then(|b| view.facts.standing_fact(b)).map(|f| {
                match &view.facts.shown(f).record.body {
                    bolebook_core::record::Body::Block(b) => b.name.clone(),
                    _ => String::new(),
                }
            });
        let cells = [
            view.tag(shown.id),
            listed.and_then(|t| t.species.clone()).unwrap_or_default(),
            block.unwrap_or_default(),
            view.diameter(shown.tree, 1).map(|d| d.cm()).unwrap_or_default(),
            w.state(shown.state),
            shown.first.map(|d| d.day.to_string()).unwrap_or_default(),
            ml(shown.sums.put_in),
            ml(shown.sums.discharged),
        ];
        table.row(&mut w.flow, &cells);
    }
    table.end(&mut w.flow);
    w.cut(w.seen.trees.len(), MOST_ROWS);
}

/// Every application in force.
pub fn applications(w: &mut Writer<'_, '_, '_>) {
    w.section("report-applications");
    let of: Vec<usize> = (0..w.seen.all.len()).filter(|i| w.seen.all[*i].fact.in_force()).collect();
    if of.is_empty() {
        w.flow.paragraph(&w.say("report-none"), BODY);
        return;
    }
    rows(w, &of);
}

fn rows(w: &mut Writer<'_, '_, '_>, of: &[usize]) {
    let columns = vec![
        column(w.say("tag"), 1.1),
        column(w.say("report-begun"), 1.35),
        column(w.say("crew"), 1.0),
        column(w.say("by"), 1.4),
        column(w.say("product"), 1.5),
        column(w.say("lot"), 0.9),
        figures(w.say("report-diameter"), 1.05),
        figures(w.say("report-holes"), 0.6),
        figures(w.say("report-put-in"), 0.9),
        figures(w.say("report-leaked"), 0.9),
        column(w.say("report-day-state"), 1.2),
    ];
    let view = w.asked.view;
    let mut table = Table::begin(&mut w.flow, columns);
    for at in of.iter().take(MOST_ROWS) {
        let s = &w.seen.all[*at];
        let a = s.body;
        let tree = view.trees.get(&view.stays(a.tree));
        let mut by = w.person(a.applicator);
        if let Some(other) = a.supervisor.filter(|o| *o != a.applicator) {
            by = format!("{by}, {}", w.with("supervised", &[("name", w.person(other))]));
        }
        if let Some(number) = w.asked.names.licence_number(a.supervisor.unwrap_or(a.applicator)) {
            by = format!("{by}, {}", w.with("licence", &[("number", number)]));
        }
        let mut day_state = w.day_state(s.day_state);
        if !s.violations.is_empty() {
            day_state = format!("{day_state}; {}", w.say("report-violation"));
        }
        let stem = if a.stem == 1 { String::new() } else { format!(" / {}", a.stem) };
        let cells = [
            format!("{}{stem}", view.tag(a.tree)),
            view.local_time(a.started_at).get(..16).unwrap_or_default().replace('T', " "),
            w.crew(a.crew),
            by,
            w.seen
                .labels
                .get(&a.label)
                .copied()
                .or_else(|| view.yard.label(a.label))
                .map_or_else(|| w.say("unknown"), |l| l.name.clone()),
            view.yard.lot_number(a.lot),
            tree.and_then(|t| view.dosed_from(t, a)).map(|(_, d)| d.cm()).unwrap_or_default(),
            a.holes.len().to_string(),
            ml(a.put_in_ul()),
            ml(a.leaked_ul()),
            day_state,
        ];
        table.row(&mut w.flow, &cells);
    }
    table.end(&mut w.flow);
    w.cut(of.len(), MOST_ROWS);
}

/// Violations that the office confirmed, and applications struck or held: they stay.
pub fn kept(w: &mut Writer<'_, '_, '_>) {
    w.section("report-kept");
    let office = w.asked.reader == Reader::Office;
    let asked = w.asked;
    let confirmed: Vec<&Finding> =
        asked.findings.iter().filter(|f| confirms(f) && (office || concerns_shown(w, f))).collect();
    let head = w.say("report-violations");
    w.flow.heading(2, &head);
    if confirmed.is_empty() {
        w.flow.paragraph(&w.say("report-none"), BODY);
    }
    let mut said = vec![];
    for finding in &confirmed {
        let State::Settled { reason, done, reported, .. } = &finding.state else { continue };
        let text = |t: &Option<String>| t.clone().unwrap_or_default();
        let values = [("reason", reason.clone()), ("done", text(done)), ("reported", text(reported))];
        // What a message says to the office is not written for the client; the ruling is.
        let message = if office { format!("{} ", finding.message) } else { String::new() };
        said.push(format!("{}: {message}{}", finding.code.name(), w.with("report-ruled", &values)));
    }
    w.flow.list(said.iter().take(MOST_ROWS).map(String::as_str), BODY);
    let of: Vec<usize> = (0..w.seen.all.len()).filter(|i| !w.seen.all[*i].fact.in_force()).collect();
    if office {
        let head = w.say("report-struck");
        w.flow.heading(2, &head);
        if of.is_empty() {
            w.flow.paragraph(&w.say("report-none"), BODY);
        } else {
            w.flow.paragraph(&w.say("report-struck-text"), BODY);
            rows(w, &of);
        }
        let open = w.asked.findings.iter().filter(|f| f.open()).count();
        let text = w.with("report-open", &[("count", open.to_string())]);
        w.flow.paragraph(&text, BODY);
    }
}

fn confirms(finding: &Finding) -> bool {
    matches!(&finding.state, State::Settled { done: Some(_), reported: Some(_), .. })
}

/// Whether a finding is about an application or a treated tree that the client sees.
fn concerns_shown(w: &Writer<'_, '_, '_>, finding: &Finding) -> bool {
    let view = w.asked.view;
    let of_record = w
        .seen
        .in_force()
        .any(|s| finding.records.contains(&s.fact.id) || finding.records.contains(&s.version.id()));
    let of_tree =
        finding.tree.is_some_and(|t| w.seen.in_force().any(|s| view.stays(s.body.tree) == view.stays(t)));
    of_record || of_tree
}
