//! What the report says, section by section, in the reader's language.

mod cautions;
mod holes;
mod lists;
mod map;
mod photos;
mod summary;

use bolebook_core::ids::RecordId;
use bolebook_core::quantity::Ul;
use bolebook_core::view::TreeState;

use crate::layout::{BODY, Flow, SMALL, Style};
use crate::select::{Selected, select};
use crate::text::Fonts;
use crate::words::Words;
use crate::{Asked, Reader, ReportError};

/// Most rows of a table; the data package holds them all.
pub const MOST_ROWS: usize = 5_000;
/// Most pictures of holes.
pub const MOST_PICTURES: usize = 1_200;
/// Most photos.
pub const MOST_PHOTOS: usize = 60;

/// Something to write with: whom for, what, and the page.
struct Writer<'w, 'a, 'f> {
    asked: &'w Asked<'a>,
    seen: Selected<'a>,
    flow: Flow<'f>,
    w: Words,
}

impl Writer<'_, '_, '_> {
    fn say(&self, id: &str) -> String {
        self.w.plain(id, &[])
    }

    fn with(&self, id: &str, values: &[(&str, String)]) -> String {
        self.w.plain(id, values)
    }

    fn section(&mut self, id: &str) {
        let text = self.say(id);
        self.flow.heading(1, &text);
    }

    fn note(&mut self, text: &str) {
        self.flow.paragraph(text, SMALL);
    }

    fn person(&self, id: RecordId) -> String {
        self.asked.names.person(id).unwrap_or_else(|| short(id))
    }

    fn crew(&self, id: RecordId) -> String {
        self.asked.view.yard.crew_name(id)
    }

    /// What became of a tree, in words.
    fn state(&self, state: TreeState) -> String {
        match state {
            TreeState::Treated => self.say("treated"),
            TreeState::NotTreated(reason) => {
                let name = serde_name(reason);
                format!("{}: {}", self.say("not-treated"), self.say(&format!("reason-{name}")))
            }
            TreeState::Left => self.left(),
        }
    }

    fn left(&self) -> String {
        self.say(if self.asked.reader == Reader::Client { "left" } else { "report-left" })
    }

    fn day_state(&self, state: &str) -> String {
        match state {
            "signed off" => self.say("report-signed"),
            "provisional" => self.say("report-provisional"),
            _ => self.say("report-late"),
        }
    }

    /// Says how many rows are left out, if any are.
    fn cut(&mut self, all: usize, most: usize) {
        if all > most {
            let text = self.with("report-cut", &[("shown", most.to_string()), ("all", all.to_string())]);
            self.flow.paragraph(&text, Style { bold: true, ..BODY });
        }
    }
}

/// The word a reason of not treating is written with in records.
fn serde_name(reason: bolebook_core::record::work::NotTreatedReason) -> String {
    use bolebook_core::record::work::NotTreatedReason as R;
    let name = match reason {
        R::TooSmall => "too_small",
        R::TooFarGone => "too_far_gone",
        R::WrongSpecies => "wrong_species",
        R::NoUptake => "no_uptake",
        R::TrunkDamage => "trunk_damage",
        R::NotReached => "not_reached",
        R::Refused => "refused",
        R::Conditions => "conditions",
        R::Other => "other",
    };
    name.to_owned()
}

/// The last eight digits of an id.
fn short(id: RecordId) -> String {
    let text = id.to_string();
    text.get(text.len().saturating_sub(8)..).unwrap_or(&text).to_owned()
}

/// Millilitres to the microlitre, as the tables write them.
fn ml(volume: Ul) -> String {
    bolebook_core::quantity::decimal(volume.0, 1_000, 3)
}

/// Whether the report is final, for the head of every page.
pub fn mark(asked: &Asked<'_>) -> String {
    let view = asked.view;
    let all = view.crew_days.len();
    let open = view.crew_days.iter().filter(|d| !view.signed_off.contains_key(d)).count();
    let count = [("open", open.to_string()), ("all", all.to_string())];
    match (all, open, asked.reader) {
        (0, ..) => asked.words.plain("report-mark-nothing", &[]),
        (_, 0, _) => asked.words.plain("report-mark-signed", &count),
        (_, _, Reader::Office) => asked.words.plain("report-mark-provisional", &count),
        (_, _, Reader::Client) => asked.words.plain("report-mark-partly", &count),
    }
}

/// The whole report on paper.
///
/// # Errors
/// [`ReportError`].
pub fn laid_out<'f>(asked: &Asked<'_>, fonts: &'f Fonts) -> Result<Flow<'f>, ReportError> {
    let seen = select(asked);
    let mut writer = Writer { asked, seen, flow: Flow::new(fonts), w: asked.words };
    summary::cover(&mut writer);
    summary::sums(&mut writer);
    cautions::section(&mut writer);
    map::section(&mut writer);
    lists::trees(&mut writer);
    lists::applications(&mut writer);
    lists::kept(&mut writer);
    holes::section(&mut writer);
    photos::section(&mut writer);
    summary::checking(&mut writer);
    Ok(writer.flow)
}
