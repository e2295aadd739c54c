//! The canopies then and now, for the client to see whether it worked.

use std::collections::BTreeMap;

use bolebook_core::facts::Version;
use bolebook_core::ids::TreeId;
use bolebook_core::quantity::decimal;
use bolebook_core::record::Kind;
use bolebook_core::seasons::{canopies, change, earlier, losses};
use bolebook_core::view::View;
use maud::{Markup, html};

use crate::desk::text;
use crate::portal::{Signed, Visit};

/// What was seen of the canopies on signed-off days, and by the office's own inspections.
fn seen(view: &View<'static>) -> BTreeMap<TreeId, i64> {
    let signed = Signed::of(view);
    let of_office = |v: &Version| v.record.kind() == Kind::Inspection && view.crew_day(v).is_none();
    losses(view, |v| signed.takes(v) || of_office(v))
}

/// The table of canopy classes by season, and what became of the treated trees. Of earlier seasons
/// only those of the same client.
pub fn section(visit: &Visit, view: &View<'static>) -> Markup {
    let w = visit.words;
    let all: Vec<&View<'static>> = visit.snapshot.jobs.values().map(|j| &j.view).collect();
    let before = earlier(view, &all).into_iter().take_while(|v| v.job.client == view.job.client);
    let mut books: Vec<&View<'static>> = before.collect();
    books.reverse();
    books.push(view);
    let assessed: Vec<_> = books.iter().map(|v| seen(v)).collect();
    let seasons: Vec<_> = books.iter().zip(&assessed).map(|(v, of)| canopies(v, of)).collect();
    let pairs: Vec<_> = books.iter().copied().zip(&assessed).collect();
    let changes: Vec<_> = pairs.windows(2).map(|p| change(p[0], p[1])).collect();
    let percents = |(low, high): (i64, i64)| format!("{}–{} %", decimal(low, 10, 1), decimal(high, 10, 1));
    html! {
        @if seasons.iter().any(|s| s.assessed > 0) {
            section {
                h2 { (w.say("canopies")) }
                p { (w.say("canopies-text")) }
                table {
                    thead { tr { th scope="col" { (w.say("canopy-lost")) } @for s in &seasons { th.num scope="col" { (text(&s.season)) br; span.small { (w.with("canopies-seen", &[("count", s.assessed.to_string())])) } } } } }
                    tbody {
                        @for (row, class) in seasons.iter().flat_map(|s| s.classes.iter().enumerate()).take(bolebook_core::seasons::CANOPY_CLASSES.len()) {
                            tr {
                                th scope="row" { (class.over / 10) "–" (class.up_to / 10) " %" }
                                @for c in seasons.iter().filter_map(|s| s.classes.get(row)) {
                                    td.num { (c.trees) @if let Some(share) = c.share { br; span.small { (percents(share)) } } }
                                }
                            }
                        }
                    }
                }
                @for c in &changes {
                    @let all = c.treated.better + c.treated.same + c.treated.worse;
                    @if let Some(held) = c.treated.held {
                        p { (w.with("canopies-held", &[("then", c.then.clone()), ("now", c.now.clone()), ("count", all.to_string()), ("held", (c.treated.better + c.treated.same).to_string()), ("share", percents(held))])) }
                    }
                    @if c.not_again > 0 { p.small { (w.with("canopies-not-again", &[("then", c.then.clone()), ("now", c.now.clone()), ("count", c.not_again.to_string())])) } }
                }
            }
        }
    }
}
