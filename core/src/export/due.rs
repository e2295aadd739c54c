//! When the client's copy of a day's records is due.

use std::collections::BTreeMap;

use crate::day::Day;
use crate::record::{Body, Kind};
use crate::view::{CrewDay, View};

/// Days after an application by which a commercial applicator gives the person served a copy of its
/// record: 7 U.S.C. 136i-1(a), of restricted-use pesticides in the United States. A State or a
/// contract may give less time.
pub const COPY_DAYS: u32 = 30;

/// Of each crew-day with an application in force, the last day on which the client's copy is in time.
pub fn copy_due(view: &View<'_>) -> BTreeMap<CrewDay, Day> {
    let mut due = BTreeMap::new();
    for version in view.facts.in_force(Kind::Application).flat_map(|f| view.facts.current(f)) {
        let (Some(day), Body::Application(_)) = (view.crew_day(version), &version.record.body) else {
            continue;
        };
        if let Some(last) = day.day.after(COPY_DAYS) {
            due.insert(day, last);
        }
    }
    due
}
