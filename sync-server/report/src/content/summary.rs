//! The cover, the sums, and how to check a copy.

use std::collections::{BTreeMap, BTreeSet};

use bolebook_core::export::{TABLES_VERSION, state_time};
use bolebook_core::quantity::Ul;
use bolebook_core::view::{CrewDay, TreeState};

use super::{Writer, mark, ml};
use crate::layout::{BLACK, BODY, Style};
use crate::select::{Shown, Sums};
use crate::table::{Table, column, figures};
use crate::{Reader, clean};

type Rows = Vec<[String; 2]>;

/// Two columns: what and which.
fn facts(w: &mut Writer<'_, '_, '_>, heads: [&str; 2], rows: &Rows) {
    let columns = vec![column(w.say(heads[0]), 1.0), column(w.say(heads[1]), 2.6)];
    let mut table = Table::begin(&mut w.flow, columns);
    for row in rows {
        table.row(&mut w.flow, row);
    }
    table.end(&mut w.flow);
}

/// Who, where, when, and whether it is final.
pub fn cover(w: &mut Writer<'_, '_, '_>) {
    let view = w.asked.view;
    let title = w.say("report-title");
    w.flow.heading(1, &title);
    w.flow.paragraph(&clean(&view.title), Style { size: 13.0, bold: true, colour: BLACK });
    let said = mark(w.asked);
    w.flow.paragraph(&said, Style { size: 11.0, bold: true, colour: BLACK });
    let (client, _) = w.asked.names.client(view.job.client);
    let time = view.local_time(state_time(view));
    let rows = vec![
        [w.say("report-client"), client.unwrap_or_else(|| w.say("unknown"))],
        [w.say("report-site"), view.job.site.clone()],
        [w.say("report-season"), view.job.season.clone()],
        [w.say("report-company"), view.yard.company.clone()],
        [w.say("report-time"), format!("{} ({})", time.replace('T', " "), view.job.zone.name)],
    ];
    facts(w, ["report-what", "report-which"], &rows);
    if let Some(invented) = w.seen.labels.values().find_map(|l| l.invented.clone()) {
        w.flow.paragraph(&clean(&invented), Style { bold: true, ..BODY });
    }
    let first = w.with("caution-first", &[("company", view.yard.company.clone())]);
    w.flow.paragraph(&first, BODY);
}

/// How many trees, how much product, day by day and lot by lot.
pub fn sums(w: &mut Writer<'_, '_, '_>) {
    w.section("report-summary");
    let of =
        |state: fn(&TreeState) -> bool| w.seen.trees.iter().filter(|t| state(&t.state)).count().to_string();
    let all = w.seen.sums;
    let holes: usize = w.seen.in_force().map(|s| s.body.holes.len()).sum();
    let rows = vec![
        [w.say("report-trees-listed"), w.seen.trees.len().to_string()],
        [w.say("treated"), of(|s| matches!(s, TreeState::Treated))],
        [w.say("not-treated"), of(|s| matches!(s, TreeState::NotTreated(_)))],
        [w.left(), of(|s| matches!(s, TreeState::Left))],
        [w.say("report-applications"), w.seen.of_fact.len().to_string()],
        [w.say("report-holes"), holes.to_string()],
        [w.say("report-put-in"), ml(all.put_in)],
        [w.say("report-leaked"), ml(all.leaked)],
        [w.say("report-discharged"), ml(all.discharged)],
    ];
    facts(w, ["report-what", "report-how-many"], &rows);
    days(w);
    products(w);
}

/// The most each application says, once.
fn add<'s, 'v: 's>(
    w: &'s Writer<'_, 'v, '_>,
    shown: impl Iterator<Item = &'s Shown<'v>>,
) -> (usize, usize, Sums) {
    let (mut facts, mut trees, mut sums) = (BTreeSet::new(), BTreeSet::new(), Sums::default());
    for s in shown {
        if facts.insert(s.fact.id) {
            sums = sums.and(w.seen.of_fact.get(&s.fact.id).copied().unwrap_or_default());
        }
        if s.body.put_in_ul() > Ul(0) {
            trees.insert(w.asked.view.stays(s.body.tree));
        }
    }
    (facts.len(), trees.len(), sums)
}

fn days(w: &mut Writer<'_, '_, '_>) {
    let mut all: BTreeSet<CrewDay> = w.seen.in_force().filter_map(|s| s.day).collect();
    if w.asked.reader == Reader::Office {
        all.extend(&w.asked.view.crew_days);
    }
    if all.is_empty() {
        return;
    }
    let mut sorted: Vec<CrewDay> = all.into_iter().collect();
    sorted.sort_by_key(|d| (d.day, d.crew));
    let head = w.say("report-by-day");
    w.flow.heading(2, &head);
    let columns = vec![
        column(w.say("day"), 1.1),
        column(w.say("crew"), 1.6),
        figures(w.say("report-applications"), 1.2),
        figures(w.say("report-trees"), 0.9),
        figures(w.say("report-put-in"), 1.3),
        figures(w.say("report-leaked"), 1.3),
        column(w.say("report-day-state"), 1.4),
    ];
    let mut table = Table::begin(&mut w.flow, columns);
    for day in sorted {
        let (applications, trees, sums) = add(w, w.seen.in_force().filter(|s| s.day == Some(day)));
        let signed = w.asked.view.signed_off.contains_key(&day);
        let state = w.say(if signed { "report-signed" } else { "report-provisional" });
        let crew = w.crew(day.crew);
        let cells = [
            day.day.to_string(),
            crew,
            applications.to_string(),
            trees.to_string(),
            ml(sums.put_in),
            ml(sums.leaked),
            state,
        ];
        table.row(&mut w.flow, &cells);
    }
    let (applications, trees, _) = add(w, w.seen.in_force());
    let sums = w.seen.sums;
    let cells = [
        w.say("report-sum"),
        String::new(),
        applications.to_string(),
        trees.to_string(),
        ml(sums.put_in),
        ml(sums.leaked),
        String::new(),
    ];
    table.sum(&mut w.flow, &cells);
    table.end(&mut w.flow);
}

fn products(w: &mut Writer<'_, '_, '_>) {
    let mut lots: BTreeMap<_, Vec<usize>> = BTreeMap::new();
    for (at, s) in w.seen.all.iter().enumerate().filter(|(_, s)| s.fact.in_force()) {
        lots.entry((s.body.label, s.body.lot)).or_default().push(at);
    }
    if lots.is_empty() {
        return;
    }
    let head = w.say("report-by-product");
    w.flow.heading(2, &head);
    let columns = vec![
        column(w.say("product"), 2.2),
        column(w.say("report-registration"), 1.6),
        column(w.say("lot"), 1.3),
        figures(w.say("report-put-in"), 1.1),
        figures(w.say("report-leaked"), 1.1),
    ];
    let mut table = Table::begin(&mut w.flow, columns);
    for ((label, lot), at) in lots {
        let (_, _, sums) = add(w, at.iter().map(|i| &w.seen.all[*i]));
        let label = w.seen.labels.get(&label);
        let name = label.map_or_else(|| w.say("unknown"), |l| l.name.clone());
        let number = label.map(|l| l.registration.clone()).unwrap_or_default();
        let lot = w.asked.view.yard.lot_number(lot);
        table.row(&mut w.flow, &[name, number, lot, ml(sums.put_in), ml(sums.leaked)]);
    }
    table.end(&mut w.flow);
}

/// Which state it shows and how to check a copy.
pub fn checking(w: &mut Writer<'_, '_, '_>) {
    w.section("verify");
    let view = w.asked.view;
    let text = w.with("report-verify", &[("company", view.yard.company.clone())]);
    w.flow.paragraph(&text, BODY);
    let mut rows = vec![[w.say("state"), view.state_digest().to_string()]];
    rows.extend(view.heads.iter().map(|h| [w.say("job-heads"), h.to_string()]));
    rows.extend(view.yard.heads.iter().map(|h| [w.say("yard-heads"), h.to_string()]));
    rows.push([w.say("report-format"), TABLES_VERSION.to_string()]);
    facts(w, ["report-what", "report-which"], &rows);
    w.note(&w.say("report-signs"));
}
