//! How tasks are built: with the same features of every library as the tests have.
//!
//! Cargo chooses a library's features by what is asked for in one command. A task runner built by itself
//! has its libraries compiled with features of their own, and the tests compile them again, which costs
//! minutes on a fresh machine. So everything is built from the whole workspace, with a test among the
//! targets, since what tests depend on counts only then.

/// The arguments after `cargo` that build programs of this workspace and nothing else.
pub fn build(programs: &[&str]) -> Vec<String> {
    let mut arguments: Vec<String> =
        ["build", "--workspace", "--test", "same_features"].map(str::to_owned).into();
    for program in programs {
        arguments.extend(["--bin".to_owned(), (*program).to_owned()]);
    }
    arguments
}
