//! Hostile input, made by structure: targets that an ordinary test, `cargo xtask soak` and a
//! coverage-guided fuzzer all call.
//!
//! A target takes bytes and panics when something is wrong that no bytes may cause. It tells whether
//! the bytes passed JSON and, where there is one, the hash, and how it ended; a mutator that passes
//! too seldom tests a parser and nothing else.

mod answers;
mod books;
mod dosing;
mod files;
mod mutate;
mod photos;
mod salvage;
mod stand;
mod tokens;

use crate::root;
use crate::sim::dice::Dice;

/// How one execution ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ended {
    /// Whether the bytes passed JSON and hash.
    pub passed: bool,
    /// In a word or two, what became of them; one input for each goes into the corpus.
    pub class: String,
}

impl Ended {
    fn early(class: impl Into<String>) -> Self {
        Self { passed: false, class: class.into() }
    }

    fn passed(class: impl Into<String>) -> Self {
        Self { passed: true, class: class.into() }
    }
}

/// Something that takes bytes from outside.
pub struct Target {
    /// Its name, and its folder in the corpus.
    pub name: &'static str,
    /// Feeds it bytes.
    pub run: fn(&[u8]) -> Ended,
    /// Makes bytes for it.
    pub make: fn(&mut Dice) -> Vec<u8>,
    /// The files of the product that read these bytes and judge what they say, from the root.
    pub aims: &'static [&'static str],
}

/// Every target.
pub const TARGETS: [Target; 14] = [
    Target {
        name: "record",
        run: books::record,
        make: books::make_record,
        aims: &["core/src/record/canonical.rs", "core/src/record/mod.rs"],
    },
    Target {
        name: "commit",
        run: books::commit,
        make: books::make_commit,
        aims: &["core/src/commit.rs", "core/src/gate.rs", "core/src/book.rs", "core/src/facts.rs"],
    },
    Target {
        name: "exchange",
        run: books::exchange,
        make: books::make_exchange,
        aims: &["core/src/exchange.rs", "sync-server/log/src/append.rs"],
    },
    Target {
        name: "answer",
        run: answers::answer,
        make: answers::make_answer,
        aims: &["core/src/exchange/answer.rs"],
    },
    Target {
        name: "short",
        run: answers::short,
        make: answers::make_short,
        aims: &["core/src/exchange/short.rs"],
    },
    Target {
        name: "certificate",
        run: books::certificate,
        make: books::make_certificate,
        aims: &["core/src/authority.rs"],
    },
    Target {
        name: "bundle",
        run: files::bundle_file,
        make: files::make_bundle,
        aims: &["sync-server/log/src/bundle.rs"],
    },
    Target {
        name: "salvage",
        run: salvage::salvaged,
        make: salvage::make_salvage,
        aims: &["sync-server/log/src/salvage/pages.rs", "sync-server/log/src/salvage/mod.rs"],
    },
    Target {
        name: "label",
        run: dosing::label,
        make: dosing::make_label,
        aims: &["core/src/dosing/label.rs", "core/src/dosing/label/entry.rs"],
    },
    Target {
        name: "plan",
        run: dosing::plan,
        make: dosing::make_plan,
        aims: &["core/src/dosing/charges.rs", "core/src/dosing/layout.rs"],
    },
    Target {
        name: "tus",
        run: photos::tus,
        make: photos::make_tus,
        aims: &["sync-server/src/uploads/headers.rs"],
    },
    Target {
        name: "token",
        run: tokens::token,
        make: tokens::make_token,
        aims: &["sync-server/src/auth.rs"],
    },
    Target { name: "csv", run: stand::csv, make: stand::make_csv, aims: &["core/src/entering/stand.rs"] },
    Target {
        name: "photo",
        run: photos::photo,
        make: photos::make_photo,
        aims: &["sync-server/src/photos/clean.rs", "sync-server/src/photos/exif.rs"],
    },
];

/// The committed inputs of a target, by file name.
pub fn corpus(target: &str) -> Vec<(String, Vec<u8>)> {
    let folder = root().join("tests/fuzz/corpus").join(target);
    let Ok(files) = std::fs::read_dir(folder) else { return vec![] };
    let mut inputs: Vec<(String, Vec<u8>)> = files
        .map(|file| {
            let path = file.unwrap().path();
            (path.file_name().unwrap().to_string_lossy().into_owned(), std::fs::read(&path).unwrap())
        })
        .collect();
    inputs.sort();
    inputs
}
