//! Moving between the engines, there and back, cut off at every step.

use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::Role;
use bolebook_db::Connection;
use bolebook_log::Page;
use bolebook_server::database::{Database, Place};
use bolebook_server::migrate::{MigrateError, migrate};
use bolebook_server::{store, token_keys};

use crate::contract::{lines, put};
use crate::quick;
use crate::support::{fresh, invitation, yard};

fn all(db: &Connection) -> Vec<bolebook_log::StoredLine> {
    bolebook_log::read(db, yard(), 0, Page::ALL).unwrap()
}

#[test]
fn everything_moves_to_postgresql_and_back_and_a_run_that_was_cut_off_goes_on() {
    let cluster = quick();
    let folder = tempfile::tempdir().unwrap();
    let place = |name: &str| {
        let data = folder.path().join(name);
        std::fs::create_dir_all(&data).unwrap();
        Place::of(&data, None)
    };
    let (here, there, back) = (place("here"), Place::Shared(cluster.database()), place("back"));
    let db = here.lay_out().unwrap();
    // More than one transaction's worth of lines.
    put(&db, yard(), &lines(320, "note")).unwrap();
    let server = Database::new(here.clone(), here.connect().unwrap());
    let code = invitation(Role::Crew, "20000000000000000002");
    server.write(|tx| store::add_invitation(tx, &code)).unwrap();
    server.write(|tx| token_keys::renew(tx, (fresh(), fresh()), UtcMs(5), false)).unwrap();

    let mut cuts = 0;
    let done = loop {
        match migrate(&here, &there, Some(cuts)) {
            Ok(done) => break done,
            Err(MigrateError::Differs { .. }) => cuts += 1,
            Err(error) => panic!("{error}"),
        }
        assert!(cuts < 20, "it comes to an end");
    };
    assert!(cuts >= 2, "{cuts}: lines and rows went in several transactions");
    assert_eq!((done.books, done.lines), (1, all(&db).len() as u64));
    assert_eq!(all(&there.connect().unwrap()), all(&db));
    // Again: all of it is there.
    let again = migrate(&here, &there, None).unwrap();
    assert_eq!((again.lines, again.lines_brought, again.rows), (done.lines, 0, done.rows));

    migrate(&there, &back, None).unwrap();
    let returned = back.connect().unwrap();
    assert_eq!(all(&returned), all(&db));
    assert_eq!(bolebook_log::books(&returned).unwrap(), bolebook_log::books(&db).unwrap());
    let kid = |db: &Connection| token_keys::newest(db).unwrap().unwrap().kid;
    assert_eq!(kid(&returned), kid(&db));

    // What has something else is not written into, and a change behind the back is seen.
    let strange = Place::Shared(cluster.database());
    put(&strange.lay_out().unwrap(), yard(), &lines(1, "other")).unwrap();
    let refused = migrate(&here, &strange, None).unwrap_err();
    assert!(matches!(refused, MigrateError::OtherTarget { .. }), "{refused}");
    let changed = "UPDATE token_keys SET made_at = made_at + 1";
    there.connect().unwrap().execute(changed, []).unwrap();
    let seen = migrate(&here, &there, None).unwrap_err();
    assert!(seen.to_string().contains("token_keys"), "{seen}");

    // The file it once came from is of an older state, where the code was not yet used and a key not yet
    // made: nothing of what came since is put beside that.
    let moved = Database::new(there.clone(), there.connect().unwrap());
    moved.write(|tx| token_keys::renew(tx, (fresh(), fresh()), UtcMs(9), true)).unwrap();
    let nul = "UPDATE invitations SET used_by = ?1";
    let refused = moved.write(|tx| Ok(tx.execute(nul, ["some\0body"])?)).unwrap_err();
    assert!(refused.is("text"), "a character that PostgreSQL has not is said to be one");
    let used = "UPDATE invitations SET used_by = 'somebody', used_at = 7";
    there.connect().unwrap().execute(used, []).unwrap();
    let refused = migrate(&there, &here, None).unwrap_err();
    assert!(matches!(refused, MigrateError::OtherTarget { .. }), "{refused}");
    assert!(refused.to_string().contains("invitations"), "{refused}");
    assert_ne!(kid(&db), kid(&there.connect().unwrap()), "not even its newer key");
}
