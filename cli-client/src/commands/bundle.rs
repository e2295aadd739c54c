//! `bundle`, `verify`: books as a file, and the store against itself.

use std::collections::BTreeMap;
use std::io::{BufRead as _, BufReader, Read as _};
use std::path::PathBuf;

use bolebook_core::authority::verify_genesis;
use bolebook_core::exchange::{Entry, LogLine, MAX_LINE_BYTES};
use bolebook_core::gate::genesis_of;
use bolebook_core::ids::BookId;
use bolebook_core::record::book_kinds::BookContent;
use bolebook_core::service::RegisterEntry;
use bolebook_core::signing::HeadSignature;
use bolebook_log::Page;
use serde::{Deserialize, Serialize};
use serde_json::json;

use crate::app::{self, App};
use crate::error::{CliError, Fault};
use crate::local_store::Store;
use crate::output::{Answer, Table, short};
use crate::sync;

/// Books as one file, for devices that meet without a server.
#[derive(Debug, clap::Subcommand)]
pub enum BundleCommand {
    Export(BundleExport),
    Import(BundleImport),
    Show(BundleShow),
}

/// Writes books into a file. Photos are not in it.
#[derive(Debug, clap::Args)]
pub struct BundleExport {
    /// The file.
    file: PathBuf,
    /// Only the yard and these jobs.
    #[arg(long = "only", value_name = "JOB")]
    jobs: Vec<String>,
    /// The register too: names and addresses. Give the file to nobody outside the company.
    #[arg(long)]
    with_register: bool,
}

/// Takes the books of a file in, each line through the same gate as from a server.
#[derive(Debug, clap::Args)]
pub struct BundleImport {
    /// The file ('-' for standard input).
    file: PathBuf,
}

/// Shows what is in a file.
#[derive(Debug, clap::Args)]
pub struct BundleShow {
    /// The file ('-' for standard input).
    file: PathBuf,
}

/// The first line of a bundle.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Opening {
    bundle: u64,
    yard: BookId,
}

/// Opens a book in a bundle; as many log lines follow.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct OpenBook {
    book: BookId,
    lines: u64,
}

/// Closes a bundle.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Closing {
    end: bool,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    register: Vec<RegisterEntry>,
}

/// A bundle, read.
struct Bundle {
    yard: BookId,
    books: Vec<(BookId, Vec<LogLine>)>,
    register: Vec<RegisterEntry>,
}

const VERSION: u64 = 1;
const MAX_UNPACKED: u64 = 1 << 30;

impl BundleCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        match self {
            Self::Export(export) => export.run(app),
            Self::Import(import) => import.run(app),
            Self::Show(show) => show.run(),
        }
    }
}

impl BundleExport {
    fn run(self, app: &App) -> Result<Answer, CliError> {
        let store = app.store()?;
        let known = app::jobs(&store)?;
        let yard = store.yard()?;
        let mut books = vec![yard];
        if self.jobs.is_empty() {
            books.extend(known.iter().map(|(id, _)| *id));
        }
        for name in &self.jobs {
            books.push(app::find_job(&known, name)?);
        }
        let mut text = line(&Opening { bundle: VERSION, yard });
        let mut count = 0u64;
        for book in &books {
            let lines = bolebook_log::read(store.db(), *book, 0, Page::ALL)?;
            count += lines.len() as u64;
            text.push_str(&line(&OpenBook { book: *book, lines: lines.len() as u64 }));
            for stored in lines {
                text.push_str(&stored.text);
                text.push('\n');
            }
        }
        let register = if self.with_register { store.register()? } else { vec![] };
        text.push_str(&line(&Closing { end: true, register }));
        let packed =
            zstd::encode_all(text.as_bytes(), 10).map_err(|e| CliError::Unexpected(e.to_string()))?;
        super::write_private(&self.file, &packed)?;
        Ok(Answer::line(format!("{} books, {count} lines, {} bytes written.", books.len(), packed.len()))
            .with("books", books.len())
            .with("lines", count)
            .with("bytes", packed.len()))
    }
}

fn line(value: &impl Serialize) -> String {
    let mut text = serde_json::to_string(value).unwrap_or_default();
    text.push('\n');
    text
}

impl Bundle {
    fn read(path: &std::path::Path) -> Result<Self, CliError> {
        let bytes = super::read_file(path)?;
        let at = |number: u64, why: String| CliError::Lines {
            file: path.display().to_string(),
            faults: vec![Fault { line: number, column: None, why }],
        };
        let decoder = zstd::Decoder::new(&bytes[..]).map_err(|e| at(0, format!("not a bundle: {e}")))?;
        let mut lines = BufReader::new(decoder.take(MAX_UNPACKED));
        let mut number = 0u64;
        let mut next = || -> Result<(u64, String), CliError> {
            number += 1;
            let mut text = vec![];
            let most = MAX_LINE_BYTES as u64 + 1;
            lines.by_ref().take(most).read_until(b'\n', &mut text).map_err(|e| at(number, e.to_string()))?;
            if text.pop() != Some(b'\n') {
                return Err(at(number, "the file breaks off: ask for it again".into()));
            }
            String::from_utf8(text).map(|t| (number, t)).map_err(|e| at(number, e.to_string()))
        };
        let (first, text) = next()?;
        let opening: Opening =
            serde_json::from_str(&text).map_err(|e| at(first, format!("not a bundle: {e}")))?;
        if opening.bundle != VERSION {
            return Err(at(first, format!("bundle version {}: update Bolebook", opening.bundle)));
        }
        let mut bundle = Self { yard: opening.yard, books: vec![], register: vec![] };
        loop {
            let (number, text) = next()?;
            if let Ok(closing) = serde_json::from_str::<Closing>(&text) {
                bundle.register = closing.register;
                return Ok(bundle);
            }
            let open: OpenBook = serde_json::from_str(&text).map_err(|e| at(number, e.to_string()))?;
            let mut log = vec![];
            for _ in 0..open.lines {
                let (number, text) = next()?;
                log.push(LogLine::parse(&text).map_err(|e| at(number, e.to_string()))?);
            }
            bundle.books.push((open.book, log));
        }
    }
}

impl BundleImport {
    fn run(self, app: &App) -> Result<Answer, CliError> {
        let bundle = Bundle::read(&self.file)?;
        let store = app.store()?;
        if bundle.yard != store.yard()? {
            return Err(CliError::NotAllowed {
                message: format!("the bundle is of yard {}, this device belongs to another", bundle.yard),
                hint: "take it in on a device of its own yard; nothing was changed here".into(),
            });
        }
        let mut taken: BTreeMap<BookId, (u64, u64)> = BTreeMap::new();
        let tx = store.begin()?;
        for (book, lines) in &bundle.books {
            if bolebook_log::book(&tx, *book)?.is_none() {
                may_open(&store, *book, lines)?;
            }
            let appended = bolebook_log::append(&tx, *book, lines)?;
            taken.insert(*book, (appended.new.len() as u64, appended.known));
        }
        // The register is the office's word: a bundle tells an office device only of ids it does not know.
        let office = store.root_key()?.is_some();
        let known: Vec<_> = store.register()?.into_iter().map(|e| e.id).collect();
        let mut register = bundle.register;
        register.retain(|e| !office || e.erased.is_some() || !known.contains(&e.id));
        tx.commit()?;
        let (_, erased) = sync::take_register(&store, register)?;
        sync::take_place(app, &store)?;
        let new: u64 = taken.values().map(|(new, _)| new).sum();
        let known: u64 = taken.values().map(|(_, known)| known).sum();
        let rows: Vec<_> = taken
            .iter()
            .map(|(book, (new, known))| json!({ "book": book, "new": new, "known": known }))
            .collect();
        Ok(Answer::line(format!("{new} lines taken in, {known} were here already."))
            .with("books", rows)
            .with("new", new)
            .with("erased", erased)
            .with("known", known))
    }
}

/// A new book must be of this yard and its genesis signed by the pinned root key.
fn may_open(store: &Store, book: BookId, lines: &[LogLine]) -> Result<(), CliError> {
    let refused = |why: String| CliError::Refused(vec![format!("book {book}: {why}")]);
    let Some(Entry::Commit(commit)) = lines.first().map(LogLine::entry) else {
        return Err(refused("it does not begin with its genesis".into()));
    };
    let genesis = genesis_of(commit, book).map_err(|e| refused(e.to_string()))?;
    let signatures = lines.iter().filter_map(|l| match l.entry() {
        Entry::Signature(signed) => Some(signed),
        Entry::Commit(_) => None,
    });
    verify_genesis(&genesis, commit, signatures.collect::<Vec<&HeadSignature>>(), &store.root_pin()?)?;
    let yard = match &genesis.content {
        BookContent::Yard { .. } => book,
        BookContent::Job(job) => job.yard,
    };
    if yard == store.yard()? { Ok(()) } else { Err(refused("it belongs to another yard".into())) }
}

impl BundleShow {
    fn run(self) -> Result<Answer, CliError> {
        let bundle = Bundle::read(&self.file)?;
        let mut table = Table::new(&["book", "title", "commits", "signatures", "records"]).right(&[2, 3, 4]);
        let mut rows = vec![];
        for (book, lines) in &bundle.books {
            let commits = lines.iter().filter_map(|l| match l.entry() {
                Entry::Commit(commit) => Some(commit),
                Entry::Signature(_) => None,
            });
            let commits: Vec<_> = commits.collect();
            let title =
                commits.first().and_then(|c| genesis_of(c, *book).ok()).map_or("?".into(), |g| g.title);
            let records: usize = commits.iter().map(|c| c.records().len()).sum();
            let signatures = lines.len() - commits.len();
            rows.push(json!({
                "book": book, "title": title, "commits": commits.len(), "signatures": signatures, "records": records,
            }));
            table.row([
                short(book),
                title,
                commits.len().to_string(),
                signatures.to_string(),
                records.to_string(),
            ]);
        }
        let mut answer = Answer::default().with("yard", bundle.yard.to_string()).with("books", rows);
        answer.table(&table);
        answer.say(format!("{} register entries", bundle.register.len()));
        Ok(answer.with("register", bundle.register.len()))
    }
}

/// Recomputes every hash of every book in the store, and says whether it is whole.
#[derive(Debug, clap::Args)]
pub struct Verify {}

impl Verify {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        let store = app.store()?;
        let mut rows = vec![];
        let mut answer = Answer::default();
        for info in bolebook_log::books(store.db())? {
            let whole = bolebook_log::verify(store.db(), info.book)?;
            answer.say(format!(
                "{} {}: whole, {} commits, {} signatures",
                info.kind.name(),
                short(info.book),
                whole.commits,
                whole.signatures
            ));
            rows.push(json!({
                "book": info.book, "kind": info.kind.name(), "end": whole.end.position, "commits": whole.commits, "signatures": whole.signatures,
            }));
        }
        Ok(answer.with("books", rows))
    }
}
