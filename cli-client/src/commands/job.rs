//! `job`, `block`, `authorise`, `notice`: a job and season, and what must be settled before work.

use std::path::PathBuf;

use bolebook_core::entering;
use bolebook_core::ids::{ClientId, Sha256Hash};
use bolebook_core::record::book_kinds::{BookContent, Job};
use bolebook_core::record::stand::{Authorisation, Block, Corner, Notice};

use super::carry::Carry;
use crate::app::{self, App, Need};
use crate::desk::{Defaults, Desk};
use crate::error::CliError;
use crate::figures::{self, Typed};
use crate::founding;
use crate::local_store::{register_entry, setting};
use crate::output::{Answer, Table, short};

/// Jobs: one site and season each.
#[derive(Debug, clap::Subcommand)]
pub enum JobCommand {
    New(New),
    List(List),
    Show(Show),
}

/// Opens a job. Only the device that holds the yard's root key can.
#[derive(Debug, clap::Args)]
pub struct New {
    /// The job's title.
    title: String,
    /// The season, beginning with its year.
    #[arg(long)]
    season: String,
    /// The client's name, for the register.
    #[arg(long)]
    client: String,
    /// The client's address, for the register.
    #[arg(long)]
    address: Option<String>,
    /// Where the site is, in words that may be published: never a person's address.
    #[arg(long)]
    site: String,
    /// The time zone that says which day it is, by its IANA name.
    #[arg(long)]
    zone: String,
    /// Breast height above ground: 1.3m or 4.5ft, as the job's convention says.
    #[arg(long, default_value = "1.3m")]
    breast_height: Typed,
    /// Last season's job of the same site: its trees are listed again under the ids they have.
    #[arg(long, value_name = "JOB")]
    from: Option<String>,
}

/// Lists the jobs.
#[derive(Debug, clap::Args)]
pub struct List {}

/// Shows a job: where, when, how far along.
#[derive(Debug, clap::Args)]
pub struct Show {}

impl JobCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        match self {
            Self::New(new) => new.run(app),
            Self::List(_) => list(app),
            Self::Show(_) => app.read(Need::Job, show),
        }
    }
}

impl New {
    fn run(self, app: &App) -> Result<Answer, CliError> {
        let store = app.store()?;
        let zone = founding::zone(&self.zone, &self.season)?;
        let breast_height_um = figures::length(self.breast_height.text(), "m", "breast height")?;
        if !(1_000_000..=1_600_000).contains(&breast_height_um.0) {
            return Err(CliError::Refused(vec![format!(
                "breast height is {} m; it is 1.3 m or 4.5 ft",
                breast_height_um.m()
            )]));
        }
        let Some(root) = store.root_key()? else {
            return Err(CliError::NotAllowed {
                message: "a job's book is opened with the yard's root key, which this store does not hold"
                    .into(),
                hint: "open the job on the device the yard was made on".into(),
            });
        };
        let tx = store.begin()?;
        let jobs = app::jobs(&store)?;
        let previous = self.from.as_ref().map(|name| app::find_job(&jobs, name)).transpose()?;
        if jobs.iter().any(|(_, g)| g.title.eq_ignore_ascii_case(self.title.trim())) {
            return Err(CliError::Refused(vec![format!("there is a job '{}' already", self.title)]));
        }
        let client: ClientId = app.outside.record_id()?;
        let content = BookContent::Job(Job {
            yard: store.yard()?,
            season: self.season.clone(),
            client,
            site: self.site.clone(),
            zone,
            breast_height_um,
            closed: vec![],
            previous,
        });
        let book = founding::found(&tx, &app.outside, &root, self.title.trim(), content)?;
        let mut entry = register_entry(client, "client", &self.client, app.outside.now());
        entry.fields.extend(self.address.iter().map(|a| ("address".to_owned(), a.clone().into())));
        store.register_put(&entry, false)?;
        let mut defaults = store.setting::<Defaults>(setting::DEFAULTS)?.unwrap_or_default();
        defaults.job = Some(book);
        store.set(setting::DEFAULTS, &defaults)?;
        tx.commit()?;
        let mut answer =
            Answer::line(format!("Job {} opened and in use [{}].", self.title.trim(), short(book)))
                .with("job", book.to_string())
                .with("client", client.to_string());
        if previous.is_some() {
            drop(store);
            // The job stands already: if this is cut off, 'bolebook stand carry' does the rest.
            let carried = Carry {}.run(app)?;
            answer.text.extend(carried.text);
            answer.json.insert("carried".into(), carried.json.into());
        }
        Ok(answer)
    }
}

fn list(app: &App) -> Result<Answer, CliError> {
    let store = app.store()?;
    let mut table = Table::new(&["job", "season", "site", "id"]);
    let mut rows = vec![];
    for (id, genesis) in app::jobs(&store)? {
        let BookContent::Job(job) = &genesis.content else { continue };
        table.row([genesis.title.clone(), job.season.clone(), job.site.clone(), short(id)]);
        rows.push(serde_json::json!({
            "id": id, "title": genesis.title, "season": job.season, "site": job.site, "zone": job.zone.name,
        }));
    }
    let mut answer = Answer::default().with("jobs", rows);
    answer.table(&table);
    Ok(answer)
}

fn show(desk: &mut Desk<'_>) -> Result<Answer, CliError> {
    let view = desk.view()?;
    let counts = view.counts();
    let mut answer = Answer::line(format!("{}, {} [{}]", view.title, view.job.season, short(view.book)));
    answer.say(format!("site    {}", view.job.site));
    answer.say(format!("client  {}", desk.person_name(view.job.client)));
    answer.say(format!("zone    {}", view.job.zone.name));
    answer.say(format!(
        "trees   {} listed: {} treated, {} not treated, {} left",
        counts.listed, counts.treated, counts.not_treated, counts.left
    ));
    let heads: Vec<String> = view.heads.iter().map(ToString::to_string).collect();
    Ok(answer
        .with("job", view.book.to_string())
        .with("title", view.title.clone())
        .with("details", serde_json::to_value(&view.job).unwrap_or_default())
        .with("trees", serde_json::to_value(counts).unwrap_or_default())
        .with("heads", heads)
        .with("state", view.state_digest().to_string()))
}

/// Blocks of a job.
#[derive(Debug, clap::Subcommand)]
pub enum BlockCommand {
    Add(BlockAdd),
}

/// Adds a block, with its boundary or without.
#[derive(Debug, clap::Args)]
pub struct BlockAdd {
    /// Its name.
    name: String,
    /// A corner of its boundary, LAT,LON in degrees, counter-clockwise, the first not repeated.
    #[arg(long = "corner", value_name = "LAT,LON", allow_hyphen_values = true)]
    corners: Vec<String>,
}

impl BlockCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        let Self::Add(add) = self;
        app.write(Need::Job, |desk| {
            let boundary: Vec<Corner> =
                add.corners.iter().map(|c| figures::corner(c)).collect::<Result<_, _>>()?;
            let refused = |why: String| CliError::Refused(vec![why]);
            let boundary = match boundary.is_empty() {
                true => boundary,
                false => entering::boundary::boundary(boundary).map_err(|e| refused(e.to_string()))?,
            };
            entering::block_name(desk.view()?, &add.name).map_err(refused)?;
            let id = desk.log_in_job(Block { name: add.name.trim().to_owned(), boundary }, desk.now)?;
            desk.logged(format_args!("Block {} added", add.name.trim()), id);
            desk.answer.json.insert("block".into(), id.to_string().into());
            Ok(())
        })
    }
}

/// Logs the client's leave to do the work.
#[derive(Debug, clap::Args)]
pub struct Authorise {
    /// What it covers.
    covers: String,
    /// The day it was given.
    #[arg(long, value_name = "DAY", default_value = "today")]
    given: Typed,
    /// The signed paper, scanned: its digest is kept, the file stays where it is.
    #[arg(long, value_name = "FILE")]
    document: Option<PathBuf>,
}

impl Authorise {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        let document = self.document.as_deref().map(super::read_file).transpose()?;
        app.write(Need::Job, |desk| {
            let body = Authorisation {
                client: desk.view()?.job.client,
                given: desk.day(Some(&self.given))?,
                covers: self.covers.clone(),
                document: document.as_deref().map(Sha256Hash::of),
            };
            let id = desk.log_in_job(body, desk.now)?;
            desk.logged("Authorisation logged", id);
            Ok(())
        })
    }
}

/// Logs a notice given to neighbours or an authority.
#[derive(Debug, clap::Args)]
pub struct NoticeEntry {
    /// What was said.
    text: String,
    /// To whom, without personal details.
    #[arg(long)]
    to: String,
    /// How.
    #[arg(long)]
    how: String,
    /// When, if not now.
    #[arg(long, value_name = "TIME")]
    given: Option<Typed>,
}

impl NoticeEntry {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.write(Need::Job, |desk| {
            let given_at = desk.moment(self.given.as_ref())?;
            let body =
                Notice { to: self.to.clone(), how: self.how.clone(), given_at, text: self.text.clone() };
            let id = desk.log_in_job(body, desk.now)?;
            desk.logged("Notice logged", id);
            Ok(())
        })
    }
}
