//! What every store must do, on both engines alike; and what a shared one must stand: servers and
//! databases killed, restarted and replaced under load. PostgreSQL 15 is started by the tests.

#[path = "../support/mod.rs"]
mod support;

mod contract;
mod faults;
mod guarded;
mod moving;
mod packing;
mod pieces;
#[allow(dead_code, reason = "each test program uses its part")]
mod process;
mod statements;
mod tables;
mod unread;

use std::sync::{Arc, Mutex, PoisonError, Weak};

use bolebook_server::database::Place;
use bolebook_tests::cluster::Cluster;

/// Makes a place that has nothing yet, as often as it is asked.
pub type Fresh<'a> = &'a dyn Fn() -> Place;

/// A database server that the tests of this program share while they need one, each with databases of its
/// own: making one takes longer than most tests, and one in a static would outlive them.
pub fn quick() -> Arc<Cluster> {
    static RUNNING: Mutex<Weak<Cluster>> = Mutex::new(Weak::new());
    let mut running = RUNNING.lock().unwrap_or_else(PoisonError::into_inner);
    running.upgrade().unwrap_or_else(|| {
        let cluster = Arc::new(Cluster::quick());
        *running = Arc::downgrade(&cluster);
        cluster
    })
}

/// The log's part, which has to do with how lines lie.
fn of_the_log(fresh: Fresh<'_>) {
    contract::positions_have_no_gaps_and_what_comes_twice_is_kept_once(fresh);
    contract::a_refused_line_changes_nothing(fresh);
    contract::a_line_of_megabytes_comes_back_byte_for_byte(fresh);
    contract::appends_at_the_same_time_make_one_sequence(fresh);
    contract::a_reader_sees_one_state_while_others_write(fresh);
    contract::a_fork_is_put_back_once(fresh);
    contract::a_hub_that_was_laid_out_anew_knows_what_it_put_back(fresh);
    contract::what_was_salvaged_waits_for_what_it_depends_on(fresh);
    contract::damage_is_found(fresh);
    pieces::an_answer_in_pieces_says_the_same_as_one_that_is_read_at_once(fresh);
}

/// What is the same however lines lie.
fn of_the_rest(fresh: Fresh<'_>) {
    guarded::what_a_row_guards_is_one_sequence_and_nothing_is_done_twice(fresh);
    guarded::a_book_that_is_not_there_is_guarded_by_nothing(fresh);
    tables::the_register_keeps_the_newest_and_what_is_erased_stays_so(fresh);
    tables::a_code_an_assertion_and_a_step_count_once_whoever_asks_at_the_same_time(fresh);
    tables::sessions_and_accounts_end_together(fresh);
    tables::token_keys_follow_one_another(fresh);
    tables::the_turn_at_an_upload_is_one_processs(fresh);
    tables::links_are_numbered_and_withdrawn_once(fresh);
}

/// The suite with lines packed, as in every new store, and as text, as in one of an older program.
fn in_both_forms(fresh: Fresh<'_>) {
    of_the_log(fresh);
    of_the_rest(fresh);
    of_the_log(&|| {
        let place = fresh();
        bolebook_log::repack::all(&place.lay_out().unwrap(), bolebook_log::Form::Text).unwrap();
        place
    });
}

#[test]
fn the_contract_holds_on_sqlite() {
    let folder = tempfile::tempdir().unwrap();
    let number = std::cell::Cell::new(0);
    in_both_forms(&|| {
        number.set(number.get() + 1);
        let data = folder.path().join(number.get().to_string());
        std::fs::create_dir(&data).unwrap();
        Place::of(&data, None)
    });
}

#[test]
fn the_contract_holds_on_postgresql_15() {
    let cluster = quick();
    in_both_forms(&|| Place::Shared(cluster.database()));
}
