//! An office and a crew that share a yard and a job, further servers of the yard, and what any
//! receiver makes of a record.

use bolebook_core::authority::Directory;
use bolebook_core::book::Book;
use bolebook_core::exchange::{Entry, LogLine};
use bolebook_core::facts::Standing;
use bolebook_core::ids::BookId;
use bolebook_core::record::people::Role;
use bolebook_core::service::InvitationFile;
use bolebook_core::view::{View, Yard};
use bolebook_db::Connection;
use bolebook_server::identity::Identity;

use super::{Client, NOW, Server, invitation, root, yard};

/// An office and a crew at one server, both in the yard book, with a job that says 'before'.
pub struct Scene {
    pub data: tempfile::TempDir,
    pub server: Server,
    pub office: Client,
    pub crew: Client,
    pub job: BookId,
}

impl Scene {
    pub fn new() -> Self {
        let data = tempfile::tempdir().unwrap();
        Server::init(data.path());
        let server = Server::start(data.path());
        let mut office = Client::certified(&server.url, 1, Role::Office);
        office.open_yard();
        let job = office.open_job(1);
        office.exchange(&[yard(), job]).unwrap();
        let mut scene = Self { data, server, crew: Client::new("", 2), office, job };
        scene.crew = scene.device(2, Role::Crew);
        scene.crew.note(job, "before");
        scene.crew.exchange(&scene.books()).unwrap();
        scene.office.exchange(&scene.books()).unwrap();
        scene
    }

    pub fn books(&self) -> [BookId; 2] {
        [yard(), self.job]
    }

    /// One more device, with its certificate in the yard book.
    pub fn device(&self, seed: u8, role: Role) -> Client {
        let mut device = Client::certified(&self.server.url, seed, role);
        device.exchange(&self.books()).unwrap();
        let certificate = device.certificate.clone().unwrap();
        device.write(yard(), vec![certificate.into()]);
        device.exchange(&self.books()).unwrap();
        device
    }
}

/// One more server of the yard, with an invitation of its own.
pub fn hub(data: &std::path::Path, seed: u8) -> Server {
    let code = format!("100000000000000000{seed:02}");
    let file = InvitationFile { invitation: invitation(Role::Server, &code), code, root: root().public() };
    let path = data.join("invitation.json");
    std::fs::write(&path, serde_json::to_string(&file).unwrap()).unwrap();
    Identity::init(data, &path, [seed; 32], [seed; 10], NOW).unwrap();
    Server::start(data)
}

/// Goes to another server and signs in there.
pub fn visit(client: &mut Client, server: &Server) {
    client.url.clone_from(&server.url);
    client.sign_in().unwrap();
}

/// A book as a receiver has it, every line through the gate again.
pub fn book(db: &Connection, id: BookId) -> Book {
    let mut book = Book::new(id);
    for line in bolebook_log::read(db, id, 0, bolebook_log::Page::ALL).unwrap() {
        match LogLine::parse(&line.text).unwrap().into_entry() {
            Entry::Commit(commit) => drop(book.take(commit).unwrap()),
            Entry::Signature(signed) => book.take_signature(signed),
        }
    }
    book
}

/// Lets a test look at what a receiver makes of a job.
pub fn look<T>(db: &Connection, job: BookId, look: impl FnOnce(&View<'_>, &Yard, &Directory) -> T) -> T {
    let yard_book = book(db, yard());
    let directory = Directory::read(&yard_book, &root().public()).unwrap();
    let yard = Yard::read(&yard_book, &directory.for_book(&yard_book)).unwrap();
    let job = book(db, job);
    let view = View::read(&job, &yard, &directory.for_book(&job)).unwrap();
    look(&view, &yard, &directory)
}

/// How every version whose text contains `text` stands, in the job and in the yard.
pub fn standings(db: &Connection, job: BookId, text: &str) -> Vec<Standing> {
    look(db, job, |view, yard, _| {
        let of = |facts: &bolebook_core::facts::Facts| {
            let all = facts.versions.iter().filter(|v| v.record.to_canonical().unwrap().contains(text));
            all.map(|v| v.standing).collect::<Vec<_>>()
        };
        [of(&view.facts), of(&yard.facts)].concat()
    })
}
