//! Product that does not add up: a crew's day, a lot's stock.

use crate::balance::Balance;
use crate::finding::{Code, Finding};
use crate::quantity::Ul;
use crate::view::{CrewDay, View};

/// Findings of this rule, for the crew-days and lots this job has a part in.
pub fn check(view: &View<'_>, balance: &Balance, findings: &mut Vec<Finding>) {
    for row in &balance.crew_days {
        let day = CrewDay { crew: row.crew, day: row.day };
        if !view.crew_days.contains(&day) {
            continue;
        }
        let Some(unexplained) = row.unexplained_ul else { continue };
        if unexplained.within(row.tolerance_ul) {
            continue;
        }
        let message = format!(
            "Crew {} on {}, lot {}: {} mL {}, where the charges' uncertainty explains ±{} mL.",
            view.yard.crew_name(row.crew),
            row.day,
            view.yard.lot_number(row.lot),
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
            .on([day]),
        );
    }
    for row in &balance.lots {
        let Some(gap) = row.stock_gap_ul else { continue };
        if !row.used_on.contains(&view.book) || gap.within(Ul(0)) {
            continue;
        }
        let message = format!(
            "Lot {}: received, on hand and filled differ by {} mL ({}).",
            view.yard.lot_number(row.lot),
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
