//! What the office must settle: leave and notices, the record scheme's elements, photos, incidents,
//! licences, changes after a sign-off. Each rule finds its case, leaves the nearest one alone, and says
//! the same in whatever order the commits came.

use bolebook_core::check::law::ELEMENTS;
use bolebook_core::ids::{RecordId, Sha256Hash};
use bolebook_core::quantity::{MilliCelsius, Ms, UtcMs};
use bolebook_core::record::book_kinds::{ChainEnd, Receipt};
use bolebook_core::record::office::{
    Decision, Element, Join, Reopening, Requirements, Ruling, Scheme, SignOff,
};
use bolebook_core::record::product::Lot;
use bolebook_core::record::stand::{Authorisation, Condition, Notice, Position, PositionSource, Tree};
use bolebook_core::record::work::{Acknowledgement, Incident, IncidentKind, Note, Photo};
use bolebook_tests::planted::{ash, base, finds, relist, require, silent, treat};
use bolebook_tests::world::{HOUR, Who, World, day};

const A: Who = Who::Crew(0);

fn asked(asks: Requirements) -> (World, bolebook_core::ids::RecordId, bolebook_core::ids::RecordId) {
    let mut w = base();
    require(&mut w, asks);
    let tree = ash(&mut w, "T1");
    let application = treat(&mut w, 0, tree, |_| ());
    (w, tree, application)
}

#[test]
fn work_without_the_clients_leave_is_found() {
    let given = |text: &str| {
        let mut w = base();
        let (id, mut body) = w.look(|view, _, _| {
            let fact = view.facts.in_force(bolebook_core::record::Kind::Authorisation).next().unwrap();
            match &view.facts.shown(fact).record.body {
                bolebook_core::record::Body::Authorisation(a) => (fact.id, (**a).clone()),
                _ => unreachable!("asked for an authorisation"),
            }
        });
        body.given = day(text);
        w.amend(Who::Office, &[id], Authorisation { ..body });
        let tree = ash(&mut w, "T1");
        treat(&mut w, 0, tree, |_| ());
        (w, id)
    };
    assert!(finds(&given("2026-06-02").0, "job.not_authorised").contains("2026-06-02"));
    silent(&given("2026-06-01").0, "job.not_authorised");
    let (mut w, id) = given("2026-06-01");
    w.strike(Who::Office, id);
    assert!(finds(&w, "job.not_authorised").contains("no authorisation of the client"));
}

#[test]
fn a_notice_the_job_asks_for_must_come_before_the_work() {
    let with = |hours: Option<i64>| {
        let (mut w, ..) = asked(Requirements { notice: true, ..Requirements::default() });
        if let Some(hours) = hours {
            let given_at = UtcMs(w.now.0 - hours * HOUR);
            w.write(
                Who::Office,
                Notice { to: "neighbours".into(), how: "letter".into(), given_at, text: "trees".into() },
            );
        }
        w
    };
    assert!(finds(&with(None), "job.notice_missing").contains("none is on record"));
    finds(&with(Some(0)), "job.notice_missing");
    silent(&with(Some(1)), "job.notice_missing");
    silent(&asked(Requirements::default()).0, "job.notice_missing");
}

#[test]
fn an_incident_nobody_was_told_of_is_found_until_a_note_follows_it() {
    let incident = |told: &[&str]| {
        let mut w = base();
        let body = Incident {
            what: IncidentKind::Spill,
            crew: w.crews[0],
            happened_at: w.now,
            tree: None,
            text: "20 mL on the grass".into(),
            done: "soaked up".into(),
            told: told.iter().map(|t| (*t).to_owned()).collect(),
        };
        let id = w.write(A, body);
        (w, id)
    };
    let (mut w, id) = incident(&[]);
    finds(&w, "incident.no_follow_up");
    w.write(A, Note { about: Some(id), text: "the owner was told".into() });
    silent(&w, "incident.no_follow_up");
    silent(&incident(&["the owner"]).0, "incident.no_follow_up");
}

#[test]
fn a_licence_of_another_category_or_authority_is_found() {
    let asks = |category: &str, scheme: &str| {
        let categories = vec![category.to_owned()];
        let schemes = vec![scheme.to_owned()];
        asked(Requirements {
            licence_categories: categories,
            licence_schemes: schemes,
            ..Requirements::default()
        })
        .0
    };
    silent(&asks("Ornamental", "invented scheme"), "licence.wrong_category");
    assert!(finds(&asks("forest", "invented scheme"), "licence.wrong_category").contains("ornamental"));
    finds(&asks("ornamental", "another state"), "licence.wrong_category");
}

/// 40 CFR 171.303(b)(7)(vi), EPA's list as mirrored: ten elements. Commission Implementing Regulation
/// (EU) 2023/564, Annex: type of use, product and number, date and hour, dose, location, size, crop by
/// EPPO code, BBCH stage.
#[test]
fn outside_every_element_of_the_two_schemes_is_traced_to_where_it_is_held() {
    let of = |scheme: Scheme| ELEMENTS.iter().filter(|e| e.scheme == scheme).collect::<Vec<_>>();
    let (us, eu) = (of(Scheme::Us171303), of(Scheme::Eu2023564));
    assert_eq!((us.len(), eu.len()), (10, 8));
    for (elements, words) in [
        (
            us,
            &[
                "person served",
                "location",
                "size of the area",
                "crop",
                "year, month, day",
                "product name",
                "EPA registration",
                "total amount",
                "certified applicator's name",
                "noncertified",
            ][..],
        ),
        (
            eu,
            &[
                "type of use",
                "authorisation number",
                "start hour",
                "dose",
                "location",
                "size",
                "EPPO code",
                "BBCH",
            ][..],
        ),
    ] {
        for (element, word) in elements.iter().zip(words) {
            assert!(element.name.contains(word), "{} should speak of {word}", element.name);
            assert!(!element.held_in.is_empty());
        }
    }
}

#[test]
fn a_missing_element_of_the_scheme_is_found_once_a_day() {
    let scheme = |scheme, species: Option<&str>| {
        let (mut w, tree, _) = asked(Requirements { schemes: vec![scheme], ..Requirements::default() });
        // The client stands in the register, and the invented job names none.
        relist(&mut w, tree, |t| t.species = species.map(str::to_owned));
        w
    };
    assert!(finds(&scheme(Scheme::Eu2023564, None), "law.element_missing").contains("EPPO code"));
    silent(&scheme(Scheme::Eu2023564, Some("FRXAM")), "law.element_missing");
    let message = finds(&scheme(Scheme::Us171303, Some("FRXAM")), "law.element_missing");
    assert!(message.contains("person served"), "{message}");
    let codes = scheme(Scheme::Us171303, Some("FRXAM")).codes();
    assert_eq!(codes.iter().filter(|c| **c == "law.element_missing").count(), 1);
}

#[test]
fn the_offices_own_elements_are_asked_for() {
    let asks = || Requirements { elements: vec![Element::AirTemperature], ..Requirements::default() };
    let (mut w, tree, _) = asked(asks());
    assert!(finds(&w, "law.element_missing").contains("the air's temperature"));
    let mut body = Condition::about(tree);
    body.air_mc = Some(MilliCelsius(18_000));
    w.write(A, body);
    silent(&w, "law.element_missing");
    let (w, ..) = asked(Requirements { elements: vec![Element::Pressure], ..Requirements::default() });
    finds(&w, "law.element_missing");
}

fn photo(w: &World, about: bolebook_core::ids::RecordId, byte: u8) -> Photo {
    Photo {
        sha256: Sha256Hash([byte; 32]),
        bytes: 1_000,
        media_type: "image/jpeg".into(),
        about: Some(about),
        taken_at: w.now,
        caption: None,
    }
}

#[test]
fn a_missing_photo_and_one_used_twice_are_found() {
    let (mut w, tree, application) = asked(Requirements { photo: true, ..Requirements::default() });
    assert!(finds(&w, "photo.missing").contains("tree T1"));
    let body = photo(&w, application, 1);
    w.write(A, body);
    silent(&w, "photo.missing");
    // The same photo twice of one tree shows nothing wrong.
    let body = photo(&w, tree, 1);
    w.write(A, body);
    silent(&w, "photo.reused");
    let other = ash(&mut w, "T2");
    let body = photo(&w, other, 1);
    w.write(A, body);
    assert!(finds(&w, "photo.reused").contains("trees T1, T2"));
}

#[test]
fn cautions_must_be_acknowledged_whole_and_on_the_day() {
    let said = |cautions: &[&str], on: &str| {
        let (mut w, ..) = asked(Requirements { cautions: true, ..Requirements::default() });
        let body = Acknowledgement {
            person: w.leads[0],
            label: w.label,
            day: day(on),
            cautions: cautions.iter().map(|c| (*c).to_owned()).collect(),
        };
        w.write(A, body);
        w
    };
    silent(&said(&["INVENTED: NOT FOR USE"], "2026-06-01"), "caution.not_acknowledged");
    finds(&said(&["INVENTED: NOT FOR USE"], "2026-05-31"), "caution.not_acknowledged");
    finds(&said(&[], "2026-06-01"), "caution.not_acknowledged");
    silent(&asked(Requirements::default()).0, "caution.not_acknowledged");
}

/// Signs the first crew's day off, as a program would that looks at nothing.
fn sign_blindly(w: &mut World) -> RecordId {
    let (job_heads, yard_heads) = (w.job.heads(), w.yard.heads());
    let crew = w.crews[0];
    w.write(Who::Office, SignOff { crew, day: day("2026-06-01"), job_heads, yard_heads })
}

/// Confirms every stop there is, as the law wants a violation ruled on.
fn confirm_stops(w: &mut World) {
    let stops = w.look(|_, _, findings| {
        let of = findings.iter().filter(|f| f.blocks() && f.code.name() != "day.signed_past_stop");
        of.map(|f| (f.id, f.facts)).collect::<Vec<_>>()
    });
    assert!(!stops.is_empty());
    for (finding, facts) in stops {
        let decision =
            Decision::ConfirmViolation { done: "tree marked".into(), reported: "to the agency".into() };
        w.write(Who::Office, Ruling { finding, facts, decision, reason: "one hole too many".into() });
    }
}

#[test]
fn a_day_signed_off_past_an_open_stop_is_found() {
    const CODE: &str = "day.signed_past_stop";
    let mut w = base();
    let tree = ash(&mut w, "T1");
    w.treat(0, tree, 10);
    let mut apart = w.apart();

    let mut signed = w.clone();
    let sign_off = sign_blindly(&mut signed);
    assert!(
        finds(&signed, CODE).contains("past 2 stops not settled: 1 dose.over_label, 1 hole.spacing"),
        "{}",
        finds(&signed, CODE)
    );
    // A ruling made afterwards settles the stop, not that the day was signed before it.
    confirm_stops(&mut signed);
    finds(&signed, CODE);
    // Opened again and signed on a state that has the ruling, nothing is left.
    signed.write(Who::Office, Reopening { sign_off, reason: "signed too early".into() });
    silent(&signed, CODE);
    sign_blindly(&mut signed);
    silent(&signed, CODE);

    // Signed on one machine, ruled on another: the sign-off did not know.
    confirm_stops(&mut apart);
    sign_blindly(&mut w);
    w.merge(&apart);
    finds(&w, CODE);
}

#[test]
fn a_stop_that_came_after_a_sign_off_is_not_held_against_it() {
    const CODE: &str = "day.signed_past_stop";
    let mut w = base();
    let tree = ash(&mut w, "T1");
    treat(&mut w, 0, tree, |_| ());
    // An overdose logged by a phone that the office had not heard of.
    let mut phone = w.apart();
    let other = ash(&mut phone, "T2");
    phone.treat(0, other, 10);
    let lot = w.look(|view, _, _| view.yard.lot(w.lot).unwrap().clone());
    sign_blindly(&mut w);
    let mut late = w.clone();
    late.merge(&phone);
    finds(&late, "dose.over_label");
    silent(&late, CODE);
    // A lot recalled next month.
    w.yard_amend(Who::Office, w.lot, Lot { recalled: Some("glass found".into()), ..lot });
    finds(&w, "lot.recalled");
    silent(&w, CODE);
    // Of a sign-off after the recall it is asked.
    sign_blindly(&mut w);
    finds(&w, CODE);
}

#[test]
fn what_the_office_changes_after_a_sign_off_is_visible() {
    let signed = |strike_first: bool, amend: bool| {
        let mut w = base();
        let tree = ash(&mut w, "T1");
        let application = treat(&mut w, 0, tree, |_| ());
        let change = |w: &mut World| {
            if amend {
                let body = w.application(0, tree, 6);
                w.amend(Who::Office, &[application], body);
            } else {
                w.strike(Who::Office, application);
            }
        };
        if strike_first {
            change(&mut w);
        }
        let (job_heads, yard_heads) = (w.job.heads(), w.yard.heads());
        let crew = w.crews[0];
        w.write(Who::Office, SignOff { crew, day: day("2026-06-01"), job_heads, yard_heads });
        if !strike_first {
            change(&mut w);
        }
        w
    };
    assert!(finds(&signed(false, false), "record.changed_after_sign_off").contains("struck"));
    assert!(finds(&signed(false, true), "record.changed_after_sign_off").contains("amended"));
    silent(&signed(true, false), "record.changed_after_sign_off");
    silent(&signed(true, true), "record.changed_after_sign_off");
}

#[test]
fn what_a_crew_says_of_the_requirements_has_no_effect() {
    let mut w = base();
    let tree = ash(&mut w, "T1");
    treat(&mut w, 0, tree, |_| ());
    w.write(A, Requirements { photo: true, ..Requirements::default() });
    silent(&w, "photo.missing");
    finds(&w, "record.proposal");
}

#[test]
fn in_a_crowded_square_the_likeliest_twin_is_still_found() {
    let mut w = World::new();
    let at = |east: i64, source| Position {
        lat_ndeg: 42_732_500_000,
        lon_ndeg: -84_555_500_000 + east,
        accuracy_um: None,
        source,
    };
    let list = |w: &mut World, tag: &str, position: Position, tenths: i64| {
        let species = Some("FRXAM".into());
        let tree =
            Tree { tag: tag.into(), species, block: None, position: Some(position), stems: 1, mark: None };
        let id = w.write(A, tree);
        let _ = w.diameter(A, id, tenths);
    };
    // Two hundred trees a few centimetres apart, each 2 mm thicker than the one before it.
    for i in 0..200i64 {
        list(&mut w, &format!("T{i}"), at(i * 500, PositionSource::Mapped), 2_000 + 20 * i);
    }
    silent(&w, "tree.may_be_same");
    list(&mut w, "X", at(150 * 500, PositionSource::Gnss), 5_000);
    assert!(finds(&w, "tree.may_be_same").contains("Trees T150 and X may be one"));
}

/// A tree of 20 to 60 cm somewhere, as a crew or the office lists it.
fn list_at(w: &mut World, who: Who, tag: &str, (north, east): (i64, i64), tenths: i64) -> RecordId {
    let source = if who == Who::Office { PositionSource::Mapped } else { PositionSource::Gnss };
    // A metre is about 9 003 ndeg of latitude and 12 210 ndeg of longitude there.
    let position = Some(Position {
        lat_ndeg: 42_732_500_000 + north * 9_003,
        lon_ndeg: -84_555_500_000 + east * 12_210,
        accuracy_um: None,
        source,
    });
    let species = Some("FRXAM".into());
    let id = w.write(who, Tree { tag: tag.into(), species, block: None, position, stems: 1, mark: None });
    w.diameter(who, id, tenths);
    id
}

#[test]
fn a_tag_that_stands_on_many_trees_says_nothing_and_hides_no_twin() {
    let mut w = World::new();
    for n in 0..100i64 {
        list_at(&mut w, Who::Office, "X", (n / 10 * 12, n % 10 * 12), 2_000 + n * 37 % 400 * 10);
    }
    silent(&w, "tree.may_be_same");
    // A metre or two from the tree in row 4, column 7, and as thick.
    list_at(&mut w, A, "X", (4 * 12 + 1, 7 * 12 - 1), 2_000 + 47 * 37 % 400 * 10 + 20);
    let message = finds(&w, "tree.may_be_same");
    assert!(message.contains("Trees X and X may be one"), "{message}");
    assert!(message.contains("one tag (1.0 : 1)"), "{message}");
}

#[test]
fn a_listing_with_two_possible_twins_names_both_and_what_speaks_for_and_against() {
    let mut w = World::new();
    for n in 0..30i64 {
        list_at(
            &mut w,
            Who::Office,
            &format!("M-{}", 100 + 7 * n),
            (n / 6 * 15, n % 6 * 15),
            2_000 + n * 130,
        );
    }
    list_at(&mut w, Who::Office, "M-901", (3, 3), 4_210);
    list_at(&mut w, A, "K-2", (1, 1), 4_205);
    list_at(&mut w, Who::Office, "M-902", (1, 4), 4_260);
    let message = finds(&w, "tree.may_be_same");
    assert!(message.contains("M-901") && message.contains("M-902") && message.contains("K-2"), "{message}");
    assert!(message.contains("For one tree: diameters 42"), "{message}");
    assert!(message.contains("For two: "), "{message}");
    // Joined to one of them, it has its twin: the other is no longer in doubt.
    let ids = |w: &World, tag: &str| w.look(|v, _, _| v.trees.keys().copied().find(|id| v.tag(*id) == tag));
    let (keep, again) = (ids(&w, "M-901").unwrap(), ids(&w, "K-2").unwrap());
    w.write(Who::Office, Join { keep, joined: vec![again], reason: "one tree".into() });
    silent(&w, "tree.may_be_same");
}

#[test]
fn one_crew_that_lists_neighbours_of_one_size_within_the_hour_is_not_doubted() {
    let mut w = World::new();
    for n in 0..12i64 {
        w.now = UtcMs(w.now.0 + 4 * 60_000);
        list_at(&mut w, A, &format!("A-{}", 10 + 11 * n), (n * 6, 0), 2_000 + n % 4 * 500);
    }
    silent(&w, "tree.may_be_same");
}

#[test]
fn joining_keeps_both_histories_and_sums_what_went_in_and_striking_the_join_parts_them_again() {
    let mut w = base();
    let one = ash(&mut w, "T1");
    treat(&mut w, 0, one, |_| ());
    let two = list_at(&mut w, Who::Crew(1), "Z-8", (0, 300), 3_010);
    treat(&mut w, 1, two, |_| ());
    let put_in = |w: &World, id: RecordId| {
        w.look(|v, _, _| v.applications(&v.trees[&id]).map(|(_, _, a)| a.put_in_ul().0).sum::<i64>())
    };
    let (first, second) = (put_in(&w, one), put_in(&w, two));
    assert!(first > 0 && second > 0);
    silent(&w, "tree.treated_twice");
    let join = w.write(Who::Office, Join { keep: one, joined: vec![two], reason: "one trunk".into() });
    assert_eq!(put_in(&w, one), first + second);
    w.look(|v, _, _| {
        let tree = &v.trees[&one];
        assert!(!v.trees.contains_key(&two) && v.stays(two) == one);
        let parts = (tree.listed_as.len(), tree.diameters.len(), tree.applications.len());
        assert_eq!(
            parts,
            (2, 2, 2),
            "both listings, diameters and applications stand under the one that stays"
        );
    });
    finds(&w, "tree.treated_twice");
    w.strike(Who::Office, join);
    assert_eq!((put_in(&w, one), put_in(&w, two)), (first, second));
    silent(&w, "tree.treated_twice");
}

#[test]
fn of_many_receipts_the_earliest_that_covers_a_record_counts() {
    let dated = |minutes: i64| {
        let mut w = base();
        let tree = ash(&mut w, "T1");
        let arrived = w.now;
        w.now = UtcMs(arrived.0 + minutes * 60_000);
        let _ = w.diameter(A, tree, 3_000);
        let last = w.job.commits().last().map(|c| ChainEnd { actor: c.actor(), seq: c.seq() }).unwrap();
        // The one through this commit came late; one through a later commit says it was there before.
        for (seq, hours) in [(last.seq, 9), (last.seq + 1, 0), (last.seq + 2, 5), (last.seq - 1, -5)] {
            let receipt = Receipt {
                delivered_by: last.actor.device(),
                arrived_at: UtcMs(arrived.0 + hours * HOUR),
                clock_offset_ms: Ms(0),
                through: vec![ChainEnd { actor: last.actor, seq }],
            };
            w.write(Who::Server, receipt);
        }
        let id = w.job.commits().iter().rev().find(|c| c.actor() == last.actor).unwrap().record_ids()[0];
        w.look(|_, _, found| found.iter().any(|f| f.code.name() == "entry.in_future" && f.records == [id]))
    };
    assert!(dated(11));
    assert!(!dated(9));
}
