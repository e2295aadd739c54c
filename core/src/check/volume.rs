//! Product that does not add up: a crew's day, a lot's stock.

use crate::balance::causes::{Cause, causes};
use crate::balance::{Balance, CrewDayBalance, Span};
use crate::finding::{Code, Finding, Named};
use crate::quantity::Ul;
use crate::view::{CrewDay, View};

/// Findings of this rule, for the crew-days and lots this job has a part in.
pub fn check(view: &View<'_>, balance: &Balance, findings: &mut Vec<Finding>) {
    for row in &balance.crew_days {
        let day = CrewDay { crew: row.crew, day: row.day };
        let Some(unexplained) = row.unexplained_ul else { continue };
        if unexplained.within(row.tolerance_ul) {
            continue;
        }
        if !view.crew_days.contains(&day) {
            idle(view, balance, row, unexplained, findings);
            continue;
        }
        let message = format!(
            "Crew {} on {}, lot {}: {} mL {}, where the charges' uncertainty explains ±{} mL.",
            Named(row.crew),
            row.day,
            Named(row.lot),
            unexplained.ml(),
            if unexplained.low > 0 { "drawn but not accounted for" } else { "accounted for but not drawn" },
            row.tolerance_ul.ml(),
        );
        let subjects = [row.crew.to_string(), row.day.to_string(), row.lot.to_string()];
        findings.push(
            Finding::new(
                Code::DayUnexplained,
                &[&subjects[0], &subjects[1], &subjects[2]],
                message,
                vec![row.crew, row.lot],
            )
            .on([day])
            .with_evidence(causes(row, balance, &view.yard, &[view]).iter().map(said)),
        );
    }
    for row in &balance.lots {
        let Some(gap) = row.stock_gap_ul else { continue };
        if !row.used_on.contains(&view.book) || gap.within(Ul(0)) {
            continue;
        }
        let message = format!(
            "Lot {}: received, on hand and filled differ by {} mL ({}).",
            Named(row.lot),
            gap.ml(),
            if gap.low > 0 {
                "gone from stock without a fill"
            } else {
                "filled more than ever left the stock"
            },
        );
        findings.push(Finding::new(Code::StockUnexplained, &[&row.lot.to_string()], message, vec![row.lot]));
    }
}

/// A likely cause in a sentence.
pub fn said(cause: &Cause) -> String {
    if cause.closes {
        format!("{}: would close it", cause.text)
    } else {
        format!("{}: would leave {} mL", cause.text, cause.left_ul.ml())
    }
}

/// A kit measured on a day without work: what it lacks belongs to the crew's last day before.
fn idle(
    view: &View<'_>,
    balance: &Balance,
    row: &CrewDayBalance,
    unexplained: Span,
    findings: &mut Vec<Finding>,
) {
    let ours = balance.lots.iter().any(|l| l.lot == row.lot && l.used_on.contains(&view.book));
    if !row.worked_on.is_empty() || !ours {
        return;
    }
    let last = view.crew_days.iter().filter(|d| d.crew == row.crew && d.day < row.day).max();
    let how = match (unexplained.low > 0, last) {
        (true, None) => "drawn but not accounted for ever".to_owned(),
        (true, Some(d)) => format!("drawn but not accounted for since {}", d.day),
        (false, None) => "accounted for but not drawn ever".to_owned(),
        (false, Some(d)) => format!("accounted for but not drawn since {}", d.day),
    };
    let message = format!(
        "Crew {}, kits measured on {}, a day without work, lot {}: {} mL {how}.",
        Named(row.crew),
        row.day,
        Named(row.lot),
        unexplained.ml(),
    );
    let subjects = [row.crew.to_string(), row.day.to_string(), row.lot.to_string()];
    let subjects: Vec<&str> = subjects.iter().map(String::as_str).collect();
    let found = Finding::new(Code::KitUnexplained, &subjects, message, vec![row.crew, row.lot]);
    let evidence = causes(row, balance, &view.yard, &[view]);
    findings.push(found.on(last.copied()).with_evidence(evidence.iter().map(said)));
}
