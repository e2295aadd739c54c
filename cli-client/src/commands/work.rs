//! `not-treated`, `incident`, `close-day`, `photo`: the rest of a crew's day.

use std::path::PathBuf;

use bolebook_core::ids::Sha256Hash;
use bolebook_core::record::Kind;
use bolebook_core::record::work::{DayClosing, Incident, KitContent, NotTreated, NotTreatedReason, Photo};

use super::Entry;
use super::erase::ErasePhoto;
use super::liquid::{Of, in_product};
use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::{self, Typed, wrong};
use crate::output::Answer;

/// Logs that a tree was not treated, and why.
#[derive(Debug, clap::Args, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NotTreatedEntry {
    /// The tree.
    tree: Typed,
    /// Why.
    #[arg(value_parser = REASONS)]
    reason: String,
    /// Anything to add; needed when the reason is 'other'.
    #[arg(long)]
    note: Option<String>,
    /// The crew that decided.
    #[arg(long)]
    crew: Option<Typed>,
    /// When, if not now.
    #[arg(long, value_name = "TIME")]
    at: Option<Typed>,
}

const REASONS: [&str; 9] = [
    "too-small",
    "too-far-gone",
    "wrong-species",
    "no-uptake",
    "trunk-damage",
    "not-reached",
    "refused",
    "conditions",
    "other",
];

impl Entry for NotTreatedEntry {
    const NEED: Need = Need::Job;

    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let tree = desk.tree(&self.tree)?;
        let reason: NotTreatedReason = figures::word(&self.reason, "reason")?;
        if reason == NotTreatedReason::Other && self.note.is_none() {
            return Err(CliError::Refused(vec!["'other' needs a note that says what".into()]));
        }
        let crew = desk.crew(self.crew.as_ref())?;
        let tag = desk.stand()?.tag(tree);
        let at = desk.moment(self.at.as_ref())?;
        let id = desk.log_in_job(NotTreated { tree, crew, reason, note: self.note.clone() }, at)?;
        desk.logged(format_args!("Tree {tag} not treated: {}", super::spelled(reason)), id);
        Ok(())
    }
}

/// Logs an exposure, injury, spill, bystander or damage.
///
/// Help first: the label's first aid, then the doctor or poison centre; product under the skin is a
/// hospital emergency even if painless.
#[derive(Debug, clap::Args, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct IncidentEntry {
    /// What kind.
    #[arg(value_parser = ["exposure", "injury", "spill", "bystander", "damage"])]
    what: String,
    /// What happened, without health details of a named person.
    text: String,
    /// What was done at once.
    #[arg(long)]
    done: String,
    /// Who was told.
    #[arg(long = "told", value_name = "WHO")]
    #[serde(default)]
    told: Vec<String>,
    /// The tree it happened at.
    #[arg(long)]
    tree: Option<Typed>,
    /// The crew.
    #[arg(long)]
    crew: Option<Typed>,
    /// When it happened, if not now.
    #[arg(long, value_name = "TIME")]
    happened: Option<Typed>,
    /// When it was logged, if not now.
    #[arg(long, value_name = "TIME")]
    at: Option<Typed>,
}

impl Entry for IncidentEntry {
    const NEED: Need = Need::Job;

    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let at = desk.moment(self.at.as_ref())?;
        let body = Incident {
            what: figures::word(&self.what, "incident")?,
            crew: desk.crew(self.crew.as_ref())?,
            happened_at: self.happened.as_ref().map_or(Ok(at), |t| desk.moment(Some(t)))?,
            tree: self.tree.as_ref().map(|t| desk.tree(t)).transpose()?,
            text: self.text.clone(),
            done: self.done.clone(),
            told: self.told.clone(),
        };
        desk.caution("First aid is on the label; product under the skin is a hospital emergency.".into());
        let id = desk.log_in_job(body, at)?;
        desk.logged("Incident logged", id);
        Ok(())
    }
}

/// Closes a crew's day: no container on a tree, every kit measured.
#[derive(Debug, clap::Args, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CloseDay {
    /// The day.
    #[arg(default_value = "today")]
    #[serde(default = "today")]
    day: Typed,
    /// Product still in a kit, measured: KIT=ML, or KIT=ML@LOT when its lot is not the last filled.
    #[arg(long = "in-kit", value_name = "KIT=ML[@LOT]")]
    #[serde(default)]
    in_kit: Vec<Typed>,
    /// What these volumes are of, where the label has the product mixed: a reservoir holds the mix.
    #[arg(long, value_name = "product|mix")]
    of: Option<Of>,
    /// Containers still on a tree; must be none.
    #[arg(long, default_value = "0")]
    #[serde(default = "none")]
    containers_out: Typed,
    /// The crew.
    #[arg(long)]
    crew: Option<Typed>,
    /// When, if not now.
    #[arg(long, value_name = "TIME")]
    at: Option<Typed>,
}

fn today() -> Typed {
    "today".into()
}

fn none() -> Typed {
    "0".into()
}

impl Entry for CloseDay {
    const NEED: Need = Need::Job;

    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let crew = desk.crew(self.crew.as_ref())?;
        let at = desk.moment(self.at.as_ref())?;
        let day = figures::day(self.day.text(), &desk.zone(), at)?;
        let mut kits = vec![];
        for content in &self.in_kit {
            let (kit, rest) = content
                .text()
                .split_once('=')
                .ok_or_else(|| wrong(content.text(), "kit's content", "write KIT=ML or KIT=ML@LOT"))?;
            let (amount, lot) = rest.split_once('@').map_or((rest, None), |(a, l)| (a, Some(Typed::from(l))));
            let kit = desk.kit(Some(&Typed::from(kit)), Some(crew))?;
            let lot = desk.lot(lot.as_ref(), Some(kit))?;
            let amount = figures::volume(amount, "volume")?;
            // One answer for several kits: of a product that is not mixed the two are the same.
            let mix = desk.yard.mix_of(lot);
            let content_ul = in_product(amount, self.of.filter(|_| mix.is_some()), mix)?;
            kits.push(KitContent { kit, lot, content_ul });
        }
        let own = desk.named(Kind::Kit).into_iter().filter(|k| {
            desk.yard.kit(k.id).is_some_and(|kit| kit.crew == Some(crew))
                && kits.iter().all(|c| c.kit != k.id)
        });
        let unmeasured: Vec<String> = own.map(|k| k.name).collect();
        if !unmeasured.is_empty() {
            desk.answer.warnings.push(format!(
                "not measured: {}; log what is still in it with --in-kit, or 0",
                unmeasured.join(", ")
            ));
        }
        let containers_out = figures::count(self.containers_out.text(), "containers")?;
        if containers_out > 0 {
            desk.caution(
                "A container that has not emptied is under pressure: do not leave it on a tree.".into(),
            );
        }
        let id = desk.log_in_job(DayClosing { crew, day, containers_out, kits }, at)?;
        desk.logged(format_args!("Day {day} of crew {} closed", desk.yard.crew_name(crew)), id);
        Ok(())
    }
}

/// Photos.
#[derive(Debug, clap::Subcommand)]
pub enum PhotoCommand {
    Add(PhotoAdd),
    Erase(ErasePhoto),
}

/// Adds a photo: its bytes stay in the store's folder, its digest goes into the book.
#[derive(Debug, clap::Args)]
pub struct PhotoAdd {
    /// The file: JPEG, PNG or WebP.
    file: PathBuf,
    /// The tree, or the record, it belongs to.
    #[arg(long)]
    about: Option<Typed>,
    /// What it shows.
    #[arg(long)]
    caption: Option<String>,
    /// When it was taken, if not now.
    #[arg(long, value_name = "TIME")]
    taken: Option<Typed>,
}

/// The largest photo taken in: what a server takes.
const MAX_PHOTO: usize = 40 * 1024 * 1024;

impl PhotoCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        let add = match self {
            Self::Add(add) => add,
            Self::Erase(erase) => return erase.run(app),
        };
        let bytes = super::read_file(&add.file)?;
        let media_type = media_type(&bytes).filter(|_| bytes.len() <= MAX_PHOTO).ok_or_else(|| {
            let why = "it is not a JPEG, PNG or WebP file of at most 40 MiB".to_owned();
            CliError::Refused(vec![format!("{}: {why}", add.file.display())])
        })?;
        app.write(Need::Job, |desk| {
            if desk.store.erased_photos()?.contains(&Sha256Hash::of(&bytes)) {
                let why = "the office has erased this photo: it is not kept again";
                return Err(CliError::Refused(vec![why.into()]));
            }
            let body = Photo {
                sha256: desk.store.keep_photo(&bytes)?,
                bytes: bytes.len() as i64,
                media_type: media_type.into(),
                about: add.about.as_ref().map(|a| super::field::about(desk, a)).transpose()?,
                taken_at: desk.moment(add.taken.as_ref())?,
                caption: add.caption.clone(),
            };
            let digest = body.sha256;
            let id = desk.log_in_job(body, desk.now)?;
            desk.logged("Photo kept", id);
            desk.answer.json.insert("sha256".into(), digest.to_string().into());
            Ok(())
        })
    }
}

/// The type a file's first bytes say it is (the signatures of the JPEG, PNG and RIFF/WebP formats).
fn media_type(bytes: &[u8]) -> Option<&'static str> {
    match bytes {
        [0xff, 0xd8, 0xff, ..] => Some("image/jpeg"),
        [0x89, b'P', b'N', b'G', 0x0d, 0x0a, 0x1a, 0x0a, ..] => Some("image/png"),
        [b'R', b'I', b'F', b'F', _, _, _, _, b'W', b'E', b'B', b'P', ..] => Some("image/webp"),
        _ => None,
    }
}
