//! `bundle`, `verify`: books as a file, and the store against itself.

use std::collections::BTreeMap;
use std::io::{BufReader, Read as _};
use std::path::{Path, PathBuf};

use bolebook_core::authority::verify_genesis;
use bolebook_core::exchange::{Entry, LogLine};
use bolebook_core::gate::genesis_of;
use bolebook_core::ids::BookId;
use bolebook_core::record::book_kinds::BookContent;
use bolebook_core::signing::HeadSignature;
use bolebook_log::Page;
use bolebook_log::bundle::{self, Bundle};
use serde_json::json;

use crate::app::{self, App};
use crate::error::{CliError, Fault};
use crate::local_store::Store;
use crate::output::{Answer, Table, short};
use crate::reach::{self, Reach};
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
        let mut with_lines = vec![];
        for book in books {
            with_lines.push((book, bolebook_log::read(store.db(), book, 0, Page::ALL)?));
        }
        let count = with_lines.iter().map(|(_, lines)| lines.len()).sum::<usize>();
        let register = if self.with_register { store.register()? } else { vec![] };
        let (books, text) = (with_lines.len(), bundle::write(yard, &with_lines, register));
        let packed =
            zstd::encode_all(text.as_bytes(), 10).map_err(|e| CliError::Unexpected(e.to_string()))?;
        super::write_private(&self.file, &packed)?;
        Ok(Answer::line(format!("{books} books, {count} lines, {} bytes written.", packed.len()))
            .with("books", books)
            .with("lines", count)
            .with("bytes", packed.len()))
    }
}

/// Unpacks and reads a bundle.
fn read(path: &Path) -> Result<Bundle, CliError> {
    let bytes = super::read_file(path)?;
    let at = |line: u64, why: String| CliError::Lines {
        file: path.display().to_string(),
        faults: vec![Fault { line, column: None, why }],
    };
    unpack(&bytes, MAX_UNPACKED).map_err(|(line, why)| at(line, why))
}

/// Unpacks at most `most` bytes and reads them; else the line at fault, and why. A bundle that is larger is
/// cut there, and so refused.
fn unpack(packed: &[u8], most: u64) -> Result<Bundle, (u64, String)> {
    let decoder = zstd::Decoder::new(packed).map_err(|e| (0, format!("not a bundle: {e}")))?;
    bundle::read(BufReader::new(decoder.take(most))).map_err(|e| (e.line, e.why))
}

#[cfg(test)]
mod tests {
    use bolebook_core::ids::BookId;

    use super::*;

    #[test]
    fn a_bundle_that_unpacks_to_more_than_the_limit_is_refused() {
        let text = bundle::write(BookId::new(1, [1; 10]), &[], vec![]);
        let packed = zstd::encode_all(text.as_bytes(), 3).unwrap();
        let length = text.len() as u64;
        assert!(unpack(&packed, length).is_ok());
        assert!((0..length).all(|most| unpack(&packed, most).is_err()));
    }
}

impl BundleImport {
    fn run(self, app: &App) -> Result<Answer, CliError> {
        let bundle = read(&self.file)?;
        let store = app.store()?;
        if bundle.yard != store.yard()? {
            return Err(CliError::NotAllowed {
                message: format!("the bundle is of yard {}, this device belongs to another", bundle.yard),
                hint: "take it in on a device of its own yard; nothing was changed here".into(),
            });
        }
        let mut taken: BTreeMap<BookId, (u64, u64)> = BTreeMap::new();
        let mut closed = vec![];
        let tx = store.begin()?;
        // The yard first: a list of books that comes with the file counts for the file's other books.
        let (first, jobs): (Vec<_>, Vec<_>) = bundle.books.iter().partition(|(book, _)| *book == bundle.yard);
        let mut asked: Option<Reach> = None;
        for (book, lines) in first.into_iter().chain(jobs) {
            if *book != bundle.yard {
                let known = match asked.take() {
                    Some(known) => known,
                    None => reach::of(&store)?,
                };
                let open = known.has(*book);
                asked = Some(known);
                if !open {
                    closed.push(*book);
                    continue;
                }
            }
            if bolebook_log::book(&tx, *book)?.is_none() {
                may_open(&store, *book, lines)?;
            }
            let appended = bolebook_log::append(&tx, *book, lines)?;
            taken.insert(*book, (appended.new.len() as u64, appended.known));
        }
        // The register is the office's word: a bundle tells an office device only of ids it does not know.
        let office = store.root_key()?.is_some();
        let known: Vec<_> = store.register()?.into_iter().map(|e| e.id).collect();
        // What was saved from a damaged store may have waited for these.
        bolebook_log::salvage::take_waiting(&tx)?;
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
        let mut answer = Answer::line(format!("{new} lines taken in, {known} were here already."));
        for book in &closed {
            answer.warnings.push(format!(
                "book {} is not open to this device, by the office's list: nothing of it was taken in, and the file still has it. Give the file to the office, or ask it to open the book",
                short(book)
            ));
        }
        Ok(answer
            .with("closed", json!(closed))
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
        let bundle = read(&self.file)?;
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
