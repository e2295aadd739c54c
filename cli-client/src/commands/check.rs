//! `check`, `balance`, `days`: what the books say of themselves.

use bolebook_core::balance::{Balance, Span, causes};
use bolebook_core::check;
use bolebook_core::finding::{Finding, Severity, State, resolved};
use bolebook_core::view::{CrewDay, View};
use serde_json::json;

use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::{CliError, exit};
use crate::figures::Typed;
use crate::names::finding_name;
use crate::output::{Answer, Table};

/// Checks every merged record against the label and the law, and lists what is wrong.
///
/// Ends with exit code 3 while an open finding stops a day from being signed off.
#[derive(Debug, clap::Args)]
pub struct Check {
    /// Settled findings too.
    #[arg(long)]
    all: bool,
    /// Only findings about this tree.
    #[arg(long)]
    tree: Option<Typed>,
}

fn severity(finding: &Finding) -> &'static str {
    match finding.severity {
        Severity::Stop => "STOP",
        Severity::Review => "review",
        Severity::Note => "note",
    }
}

fn state(finding: &Finding) -> String {
    match &finding.state {
        State::Open => String::new(),
        State::Settled { decision, reason, .. } => {
            format!(" (settled, {}: {reason})", decision.replace('_', " "))
        }
        State::Reopened { .. } => " (open again: its facts changed since it was ruled on)".into(),
    }
}

/// How many findings are open, by severity.
#[derive(Clone, Copy, Debug, Default, serde::Serialize)]
struct Open {
    stop: usize,
    review: usize,
    note: usize,
    settled: usize,
}

impl Open {
    fn of(findings: &[Finding]) -> Self {
        let mut open = Self::default();
        for finding in findings {
            match finding.severity {
                _ if !finding.open() => open.settled += 1,
                Severity::Stop => open.stop += 1,
                Severity::Review => open.review += 1,
                Severity::Note => open.note += 1,
            }
        }
        open
    }
}

impl Check {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.read_all(Need::Job, |desk, views, balance| {
            let tree = self.tree.as_ref().map(|t| desk.tree(t)).transpose()?;
            let Some(view) = views.first() else {
                return Err(CliError::Unexpected("no job was read".into()));
            };
            let mut findings = check::check_among(view, &views.iter().collect::<Vec<_>>(), balance);
            let open = Open::of(&findings);
            findings.retain(|f| (self.all || f.open()) && (tree.is_none() || f.tree == tree));
            let mut answer = Answer::default();
            for finding in &findings {
                answer.say(format!(
                    "{:<6} {} {}{}",
                    severity(finding),
                    finding_name(finding),
                    finding.code.name(),
                    state(finding)
                ));
                for line in wrapped(&finding.message, 72) {
                    answer.say(format!("       {line}"));
                }
                for line in finding.evidence.iter().flat_map(|e| wrapped(e, 69)) {
                    answer.say(format!("       ? {line}"));
                }
                if finding.open() {
                    for line in wrapped(finding.next, 69) {
                        answer.say(format!("       > {line}"));
                    }
                }
            }
            answer.say(format!(
                "{} stop, {} review, {} note open; {} settled",
                open.stop, open.review, open.note, open.settled
            ));
            if open.stop > 0 {
                answer.exit = exit::STOPPED;
            }
            Ok(answer
                .with("findings", serde_json::to_value(&findings).unwrap_or_default())
                .with("open", serde_json::to_value(open).unwrap_or_default())
                .with("state", view.state_digest().to_string()))
        })
    }
}

/// Text in lines of at most `width` characters, broken between words.
fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let line = lines.last().map_or(0, |l| l.chars().count());
        if line > 0 && line + 1 + word.chars().count() > width {
            lines.push(String::new());
        }
        if let Some(line) = lines.last_mut() {
            if !line.is_empty() {
                line.push(' ');
            }
            line.push_str(word);
        }
    }
    lines
}

/// Adds the product up: what was received, drawn, put into trees, is still there, and is unexplained.
#[derive(Debug, clap::Args)]
pub struct BalanceCommand {
    /// Only this lot.
    #[arg(long)]
    lot: Option<Typed>,
}

impl BalanceCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.read_all(Need::MayJob, |desk, views, balance| {
            let whole = balance;
            let lot = self.lot.as_ref().map(|l| desk.lot(Some(l), None)).transpose()?;
            let mut balance = balance.clone();
            if let Some(lot) = lot {
                balance.lots.retain(|row| row.lot == lot);
                balance.crew_days.retain(|row| row.lot == lot);
                balance.kits.retain(|row| row.lot == lot);
            }
            let mut answer = Answer::default();
            answer.say("By lot, in mL of product");
            answer.table(&lots(desk, &balance));
            answer.say("");
            answer.say("By crew and day, in mL of product");
            answer.table(&crew_days(desk, &balance));
            answer.say("");
            answer.say("By kit, from one measurement to the next, in mL of product");
            answer.table(&kits(desk, &balance));
            let all: Vec<&View<'_>> = views.iter().collect();
            let mut unexplained = vec![];
            for row in &balance.crew_days {
                let causes = causes::causes(row, whole, desk.yard, &all);
                let Some(out) = row.unexplained_ul.filter(|u| !u.within(row.tolerance_ul)) else { continue };
                answer.say("");
                answer.say(format!(
                    "{} on {}, lot {}: {} mL unexplained. Likely causes, the best first:",
                    desk.yard.crew_name(row.crew),
                    row.day,
                    desk.yard.lot_number(row.lot),
                    out.ml()
                ));
                if causes.is_empty() {
                    answer.say("       nothing in the books comes near it: measure kit and stock again");
                }
                let mut shown = vec![];
                for cause in causes {
                    let text = resolved(desk.yard, &check::volume::said(&cause));
                    answer.text.extend(wrapped(&text, 69).iter().map(|line| format!("       ? {line}")));
                    let text = resolved(desk.yard, &cause.text);
                    shown.push(causes::Cause { text, ..cause });
                }
                unexplained.push(json!({
                    "crew": row.crew, "day": row.day, "lot": row.lot, "unexplained_ul": out, "causes": shown,
                }));
            }
            Ok(answer
                .with("unexplained", unexplained)
                .with("lots", serde_json::to_value(&balance.lots).unwrap_or_default())
                .with("crew_days", serde_json::to_value(&balance.crew_days).unwrap_or_default())
                .with("kits", serde_json::to_value(&balance.kits).unwrap_or_default()))
        })
    }
}

fn ml(span: Option<Span>) -> String {
    span.map_or_else(|| "?".into(), Span::ml)
}

fn lots(desk: &Desk<'_>, balance: &Balance) -> Table {
    let head = ["lot", "received", "on hand", "filled", "in trees", "other", "in kits", "unexplained", "±"];
    let mut table = Table::new(&head).right(&[1, 2, 3, 4, 5, 6, 7, 8]);
    for row in &balance.lots {
        table.row([
            desk.yard.lot_number(row.lot),
            row.received_ul.ml(),
            row.on_hand_ul.ml(),
            row.filled_ul.ml(),
            row.spent.into_trees_ul.ml(),
            other(&row.spent),
            row.in_kits_ul.ml(),
            row.unexplained_ul.ml(),
            row.tolerance_ul.ml(),
        ]);
    }
    table
}

/// What went anywhere but into trees.
fn other(spent: &bolebook_core::balance::Spent) -> String {
    let (all, trees) = (spent.total(), spent.into_trees_ul);
    Span { low: all.low - trees.low, high: all.high - trees.high }.ml()
}

fn crew_days(desk: &Desk<'_>, balance: &Balance) -> Table {
    let head = ["crew", "day", "lot", "before", "filled", "in trees", "other", "left", "unexplained", "±"];
    let mut table = Table::new(&head).right(&[3, 4, 5, 6, 7, 8, 9]);
    for row in &balance.crew_days {
        table.row([
            desk.yard.crew_name(row.crew),
            row.day.to_string(),
            desk.yard.lot_number(row.lot),
            row.opening_ul.ml(),
            row.filled_ul.ml(),
            row.spent.into_trees_ul.ml(),
            other(&row.spent),
            row.closing_ul.ml(),
            ml(row.unexplained_ul),
            row.tolerance_ul.ml(),
        ]);
    }
    table
}

fn kits(desk: &Desk<'_>, balance: &Balance) -> Table {
    let head = ["kit", "measured", "lot", "before", "filled", "charges", "used", "left", "unexplained", "±"];
    let mut table = Table::new(&head).right(&[3, 4, 5, 6, 7, 8, 9]);
    for row in &balance.kits {
        table.row([
            desk.yard.kit(row.kit).map_or_else(|| "unknown kit".into(), |k| k.name.clone()),
            row.day.map_or_else(|| "?".into(), |d| d.to_string()),
            desk.yard.lot_number(row.lot),
            row.opening_ul.ml(),
            row.filled_ul.ml(),
            row.charges.to_string(),
            row.spent.total().ml(),
            row.closing_ul.ml(),
            row.unexplained_ul.ml(),
            row.tolerance_ul.ml(),
        ]);
    }
    table
}

/// Lists the crews' days: how much was done, what is open, what is signed off.
#[derive(Debug, clap::Args)]
pub struct Days {}

impl Days {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.read_all(Need::Job, |desk, views, balance| {
            let Some(view) = views.first() else {
                return Err(CliError::Unexpected("no job was read".into()));
            };
            let findings = check::check_among(view, &views.iter().collect::<Vec<_>>(), balance);
            let mut table =
                Table::new(&["day", "crew", "trees", "mL", "stops", "open", "state"]).right(&[2, 3, 4, 5]);
            let mut rows = vec![];
            for day in &view.crew_days {
                let (trees, volume) = done(view, *day);
                let stops = check::blocking(&findings, *day).count();
                let open = findings.iter().filter(|f| f.open() && f.crew_days.contains(day)).count();
                let signed = view.signed_off.get(day);
                let state = if signed.is_some() { "signed off" } else { "open" };
                let crew = desk.yard.crew_name(day.crew);
                rows.push(json!({
                    "day": day.day, "crew": day.crew, "crew_name": crew, "trees": trees, "put_in_ul": volume,
                    "stops": stops, "open": open, "sign_off": signed,
                }));
                table.row([
                    day.day.to_string(),
                    crew,
                    trees.to_string(),
                    volume.ml(),
                    stops.to_string(),
                    open.to_string(),
                    state.into(),
                ]);
            }
            let mut answer = Answer::default().with("days", rows);
            answer.table(&table);
            Ok(answer)
        })
    }
}

/// Trees treated and product put in on a crew's day.
fn done(view: &View<'_>, day: CrewDay) -> (usize, bolebook_core::quantity::Ul) {
    let mut trees = 0;
    let mut volume = bolebook_core::quantity::Ul::ZERO;
    for tree in view.trees.values() {
        let of_day = view.applications(tree).filter(|(_, version, _)| view.crew_day(version) == Some(day));
        let put_in: Vec<_> = of_day.map(|(_, _, a)| a.put_in_ul()).collect();
        trees += usize::from(!put_in.is_empty());
        volume = put_in.into_iter().fold(volume, bolebook_core::quantity::Ul::saturating_add);
    }
    (trees, volume)
}
