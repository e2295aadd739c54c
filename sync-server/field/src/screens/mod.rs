//! The screens, as pages. What they show is the state's; what they say is in [`Words`]; what can be
//! done is an act on a button. Each part of the day is a file.

mod amend;
mod board;
mod day;
pub(crate) mod find;
mod frame;
mod kit;
mod kits;
mod map;
mod plan;
mod settings;
mod today;
mod tree;

use std::rc::Rc;

use bolebook_core::day::Day;
use bolebook_core::quantity::UtcMs;

use crate::field::Fields;
use crate::page::Page;
use crate::sentences::Said;
use crate::state::{NoView, Screen, State, Units};
use crate::summary::Summary;
use crate::words::Words;

/// What a screen is drawn from.
pub(crate) struct Scene<'a> {
    pub state: &'a State,
    pub words: &'a Words,
    pub now: UtcMs,
    pub summary: Result<Rc<Summary>, NoView>,
}

impl Scene<'_> {
    fn units(&self) -> Units {
        self.state.choices.units
    }

    fn say(&self, id: &str) -> String {
        self.words.say(id)
    }

    /// What the core says.
    fn core(&self, english: &str) -> Said {
        self.words.core(english)
    }

    /// The local time of day, `07:05`.
    fn time(&self, at: UtcMs) -> String {
        let Ok(summary) = &self.summary else { return String::new() };
        let local = summary.zone.rfc3339(at);
        let hour = local.get(11..16).unwrap_or_default();
        let day = Day::of(at, &summary.zone);
        // A time of another day says which.
        if day == self.today(summary) { hour.to_owned() } else { format!("{day} {hour}") }
    }

    /// Whether a moment lies in this day.
    fn is_today(&self, summary: &Summary, at: UtcMs) -> bool {
        Day::of(at, &summary.zone) == self.today(summary)
    }

    fn today(&self, summary: &Summary) -> Day {
        Day::of(self.now, &summary.zone)
    }
}

/// The whole screen, as text for the page's body.
pub fn whole(state: &mut State, words: &Words, now: UtcMs) -> String {
    let summary = state.summary();
    let scene = Scene { state, words, now, summary };
    let mut page = Page::default();
    frame::around(&mut page, &scene, |p| screen(p, &scene));
    page.into_text()
}

/// A part of a screen that changes while something is typed.
pub fn part(state: &mut State, words: &Words, now: UtcMs, name: &str, fields: &Fields) -> String {
    let summary = state.summary();
    let scene = Scene { state, words, now, summary };
    let mut page = Page::default();
    if let ("results", Ok(summary)) = (name, &scene.summary) {
        find::results(&mut page, &scene, summary, fields.get("text").map_or("", String::as_str));
    }
    if name == "photos" {
        day::photos(&mut page, &scene);
    }
    page.into_text()
}

fn screen(p: &mut Page, scene: &Scene<'_>) {
    let summary = match (&scene.state.screen, &scene.summary) {
        (Screen::Join, _) => return settings::join(p, scene),
        (Screen::Settings, _) => return settings::settings(p, scene),
        (Screen::Unsent, _) => return day::unsent(p, scene),
        (Screen::Who, Err(NoView::NoJob)) => return settings::no_books(p, scene),
        (_, Ok(summary)) => summary.clone(),
        (_, Err(error)) => {
            if !matches!(error, NoView::NoJob) || scene.state.jobs().is_empty() {
                p.core("p", "alert", &scene.core(&error.to_string()));
            }
            return settings::no_books(p, scene);
        }
    };
    match &scene.state.screen {
        Screen::Who => settings::who(p, scene, &summary),
        Screen::Today => today::today(p, scene, &summary),
        Screen::Find { text } => find::find(p, scene, &summary, text),
        Screen::Map => map::map(p, scene, &summary),
        Screen::Amend(record) => amend::amend(p, scene, *record),
        Screen::NewTree => find::new_tree(p, scene, &summary),
        Screen::Tree(tree) => tree::tree(p, scene, &summary, *tree),
        Screen::Measure(tree, stem) => tree::measure(p, scene, &summary, *tree, *stem),
        Screen::Condition(tree) => tree::condition(p, scene, &summary, *tree),
        Screen::NotTreated(tree) => tree::not_treated(p, scene, &summary, *tree),
        // The frame says that it follows.
        Screen::Plan(..) if !scene.state.books_open => {}
        Screen::Plan(tree, stem, continues) => plan::plan(p, scene, &summary, (*tree, *stem), *continues),
        Screen::Board => board::board(p, scene, &summary),
        Screen::Finish(tree, stem) => board::finish(p, scene, &summary, (*tree, *stem)),
        Screen::Kits(tree, stem) => kits::kits(p, scene, &summary, (*tree, *stem)),
        Screen::Hole(tree, stem, hole) => board::hole(p, scene, &summary, (*tree, *stem), *hole),
        Screen::Kit => kit::kit(p, scene, &summary),
        Screen::Calibrate => kit::calibrate(p, scene, &summary),
        Screen::Fill => kit::fill(p, scene, &summary),
        Screen::Move => kit::moved(p, scene, &summary),
        Screen::Label => kit::label(p, scene, &summary),
        Screen::Close => day::close(p, scene, &summary),
        Screen::Incident => day::incident(p, scene, &summary),
        Screen::Join | Screen::Settings | Screen::Unsent => {}
    }
}
