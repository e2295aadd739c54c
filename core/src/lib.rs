//! The core of Bolebook, the field book of a contractor who protects trees by trunk injection.
//!
//! It is pure: no clock, randomness, environment or I/O. `now`, ids and random numbers are passed
//! in, so a phone, a server and a terminal get the same bytes from the same books.
//!
//! # The way of a record
//!
//! 1. A crew logs a fact: a [`record`], one immutable piece of canonical JSON ([`quantity`], [`ids`]).
//! 2. It goes into a [`book`], an add-only Automerge document, as part of a [`commit`]; the device
//!    signs the end of its chain ([`signing`]).
//! 3. Books meet in an [`exchange`] of log lines. The [`gate`] refuses only what is wrong in itself.
//! 4. [`facts`] folds a book: amendments, strikes, what is held for want of [`authority`].
//! 5. The [`view`] says what is true now; [`check`] holds it against the label and the law with the
//!    same [`dosing`] arithmetic that gave the crew its dose, [`balance`] adds up the product.
//! 6. What is wrong becomes a [`finding`]; the office settles it; [`export`] writes the record out.
//!
//! # From the crew's tap to the finding
//!
//! ```
//! use bolebook_core::authority::{Directory, Grant, certify};
//! use bolebook_core::book::Book;
//! use bolebook_core::facts::{Facts, NoDays};
//! use bolebook_core::ids::{ActorId, BookId, RecordId};
//! use bolebook_core::quantity::UtcMs;
//! use bolebook_core::record::book_kinds::{BookContent, Genesis};
//! use bolebook_core::record::people::Role;
//! use bolebook_core::record::work::Note;
//! use bolebook_core::record::{Body, Envelope, Kind, Record};
//! use bolebook_core::signing::{HeadSignature, SecretKey};
//!
//! // The office's root key opens the yard book and certifies a crew's device.
//! let (root, phone) = (SecretKey::from_seed([1; 32]), SecretKey::from_seed([2; 32]));
//! let (now, end) = (UtcMs(1_780_315_200_000), UtcMs(1_790_000_000_000));
//! let write = |book: &mut Book, key: &SecretKey, n: u8, body: Body| {
//!     let id = RecordId::new(now.0, [n; 10]);
//!     let envelope = Envelope { id, at: now, device: key.device(), by: None, replaces: vec![] };
//!     let text = Record { envelope, body }.to_canonical().expect("a record of our own");
//!     let actor = ActorId::new(key.device(), [n; 16]);
//!     for commit in book.write(actor, now, &[text]).expect("passes the gate") {
//!         book.take_signature(HeadSignature::sign(key, book.id(), actor, commit.seq(), commit.hash()));
//!     }
//! };
//! let id = BookId::new(now.0, [3; 10]);
//! let mut yard = Book::new(id);
//! let content = BookContent::Yard { company: "Invented Trees".into() };
//! write(&mut yard, &root, 4, Genesis { format: 1, book: id, root: root.public(), title: "Yard".into(), content }.into());
//! let grant = Grant {
//!     key: phone.public(), role: Role::Crew, crew: None, name: "phone".into(), not_before: now, not_after: end,
//! };
//! write(&mut yard, &root, 5, certify(&root, grant)?.into());
//!
//! // The phone works on its own replica, offline, while the office writes elsewhere.
//! let mut on_the_phone = yard.clone();
//! write(&mut on_the_phone, &phone, 6, Note { about: None, text: "gate is locked".into() }.into());
//! write(&mut yard, &root, 7, Note { about: None, text: "key under the stone".into() }.into());
//!
//! // In the evening the books meet, in any order; both then say the same.
//! for commit in on_the_phone.commits() {
//!     yard.take(commit.clone())?;
//! }
//! on_the_phone.signatures().for_each(|signed| yard.take_signature(signed.clone()));
//! let devices = Directory::read(&yard, &root.public())?;
//! let facts = Facts::fold(&yard, &devices.for_book(&yard), &NoDays);
//! assert_eq!(facts.of_kind(Kind::Note).count(), 2);
//! assert_eq!(facts.in_force(Kind::Note).count(), 2);
//! // Without the yard's certificates the same notes are shown, but held.
//! let nobody = Directory::read(&yard, &phone.public());
//! assert!(nobody.is_err(), "the yard is not this key's");
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

pub mod authority;
pub mod balance;
pub mod book;
pub mod causality;
pub mod check;
pub mod commit;
pub mod day;
pub mod dosing;
pub mod entering;
pub mod exchange;
pub mod export;
pub mod facts;
pub mod figures;
pub mod finding;
pub mod gate;
pub mod geo;
pub mod ids;
pub mod keeping;
pub mod linkage;
pub mod progress;
pub mod quantity;
pub mod record;
pub mod seasons;
pub mod service;
pub mod signing;
mod sorted;
pub mod view;
