//! What only several seasons' books show: intervals and limits across them, joins, canopies, what is due.

use bolebook_core::book::Book;
use bolebook_core::ids::RecordId;
use bolebook_core::quantity::{PerMille, Ul};
use bolebook_core::record::label::Label;
use bolebook_core::record::office::Join;
use bolebook_core::record::stand::{Block, Condition, Corner, Tree};
use bolebook_core::seasons::{Moved, Season, canopies, change, due, earlier, losses};
use bolebook_tests::world::{HOUR, Who, World, label};

const A: Who = Who::Crew(0);
const DAY: i64 = 24 * HOUR;

fn wait(w: &mut World, days: i64) {
    w.now.0 += days * DAY;
}

/// Two trees treated in 2026, and their book.
fn treated(w: &mut World) -> [RecordId; 2] {
    let trees = ["T1", "T2"].map(|tag| w.tree(Who::Office, tag));
    for tree in trees {
        w.diameter(A, tree, 3_000);
        w.treat(0, tree, 7);
    }
    trees
}

fn found(w: &World, last: &Book, code: &str) -> Vec<String> {
    w.look_among(&[last], |_, _, _, findings| {
        findings.iter().filter(|f| f.code.name() == code).map(|f| f.message.clone()).collect()
    })
}

#[test]
fn an_interval_is_judged_across_books_to_the_day() {
    for (days, expected) in [(699, 1), (700, 0)] {
        let mut w = World::new();
        let trees = treated(&mut w);
        let last = w.next_season("2028", &trees);
        // The label asks for 700 days. The times of both treatments fall on the morning.
        wait(&mut w, days);
        w.treat(0, trees[0], 7);
        let all = found(&w, &last, "dose.too_soon");
        assert_eq!(all.len(), expected, "{days}: {all:?}");
        assert!(all.iter().all(|m| m.contains("season 2026") && m.contains("699 days")), "{all:?}");
        // Without the earlier book nothing can be said, and nothing is.
        assert_eq!(w.look(|_, _, f| f.iter().filter(|f| f.code.name() == "dose.too_soon").count()), 0);
    }
}

#[test]
fn a_join_in_either_book_forgets_no_treatment() {
    let join =
        |trees: &[RecordId; 2]| Join { keep: trees[0], joined: vec![trees[1]], reason: "one trunk".into() };
    // Joined this season: what the other listing got last season counts.
    let mut w = World::new();
    let trees = ["T1", "T2"].map(|tag| w.tree(Who::Office, tag));
    w.treat(0, trees[1], 7);
    let last = w.next_season("2027", &trees);
    wait(&mut w, 365);
    w.treat(0, trees[0], 7);
    assert_eq!(found(&w, &last, "dose.too_soon").len(), 0);
    w.write(Who::Office, join(&trees));
    assert_eq!(found(&w, &last, "dose.too_soon").len(), 1);
    // Joined last season, and listed again under the id that was joined away.
    let mut w = World::new();
    let trees = ["T1", "T2"].map(|tag| w.tree(Who::Office, tag));
    w.treat(0, trees[0], 7);
    w.write(Who::Office, join(&trees));
    let last = w.next_season("2027", &[trees[1]]);
    wait(&mut w, 365);
    w.treat(0, trees[1], 7);
    assert_eq!(found(&w, &last, "dose.too_soon").len(), 1);
}

#[test]
fn two_books_of_one_season_share_the_labels_limit() {
    let mut w = World::new();
    w.label = w.confirmed(Label { tree_season_max_ul: Some(Ul(130_000)), ..label() });
    let trees = treated(&mut w);
    let last = w.next_season("2026", &trees);
    w.diameter(A, trees[0], 3_000);
    w.diameter(A, trees[1], 3_000);
    // 70 + 60 = 130 mL reach the limit; 70 + 70 = 140 mL pass it.
    w.treat(0, trees[0], 6);
    w.treat(0, trees[1], 7);
    let all = found(&w, &last, "dose.season_limit");
    assert_eq!(all.len(), 1, "{all:?}");
    assert!(
        all[0].contains("T2")
            && all[0].contains("140.0 mL")
            && all[0].contains("70.0 mL of it in an earlier book")
    );
    // Another season begins anew.
    let mut w = World::new();
    w.label = w.confirmed(Label { tree_season_max_ul: Some(Ul(130_000)), ..label() });
    let trees = treated(&mut w);
    let last = w.next_season("2028", &trees);
    wait(&mut w, 710);
    w.diameter(A, trees[0], 3_000);
    w.treat(0, trees[0], 7);
    assert_eq!(found(&w, &last, "dose.season_limit"), Vec::<String>::new());
}

/// A label says 'per season' and not what a season is called: a second book of one year under another
/// name shares the limit, one of the next year does not.
#[test]
fn a_second_book_of_one_year_under_another_name_shares_the_labels_limit() {
    for (days, expected) in [(30, 1), (240, 0)] {
        let mut w = World::new();
        w.label = w.confirmed(Label { tree_season_max_ul: Some(Ul(130_000)), ..label() });
        let trees = treated(&mut w);
        let last = w.next_season("autumn", &trees);
        wait(&mut w, days);
        w.diameter(A, trees[0], 3_000);
        w.treat(0, trees[0], 7);
        let all = found(&w, &last, "dose.season_limit");
        assert_eq!(all.len(), expected, "{days}: {all:?}");
    }
}

/// A block of about 100 m by 100 m, 70 mL in it by an earlier book and 70 mL by this one; a tree that is not
/// listed any more counts to the block it stood in.
#[test]
fn a_limit_per_hectare_counts_what_an_earlier_book_of_the_season_put_into_the_block() {
    let of_both = |most: i64, season: &str, days: i64, listed_again: usize| {
        let mut w = World::new();
        w.label = w.confirmed(Label { area_season_max_ul_per_ha: Some(Ul(most)), ..label() });
        let corner =
            |lat: i64, lon: i64| Corner { lat_ndeg: 42_732_500_000 + lat, lon_ndeg: -84_555_500_000 + lon };
        let square = [(0, 0), (0, 1_220_000), (900_000, 1_220_000), (900_000, 0)];
        let block =
            Block { name: "North".into(), boundary: square.map(|(lat, lon)| corner(lat, lon)).to_vec() };
        let of_block = w.write(Who::Office, block);
        let trees = ["T1", "T2"].map(|tag| {
            let tree = w.tree(Who::Office, tag);
            let listed = w.look(|view, _, _| view.tree(tree).cloned().unwrap());
            w.amend(Who::Office, &[tree], Tree { block: Some(of_block), ..listed });
            tree
        });
        w.treat(0, trees[0], 7);
        let last = w.next_season(season, &trees[2 - listed_again..]);
        wait(&mut w, days);
        w.treat(0, trees[1], 7);
        found(&w, &last, "dose.area_limit")
    };
    // 140 mL on 0.9987 ha.
    for listed_again in [2, 1] {
        let all = of_both(139_000, "2026", 1, listed_again);
        assert!(
            all.len() == 1
                && all[0].contains("140.0 mL")
                && all[0].contains("70.0 mL of product are of an earlier book"),
            "{all:?}"
        );
        assert_eq!(of_both(142_000, "2026", 1, listed_again), Vec::<String>::new());
    }
    assert_eq!(of_both(139_000, "2028", 710, 2), Vec::<String>::new(), "another season begins anew");
    // Of this book alone it is said as before.
    let alone = of_both(69_000, "2028", 710, 2);
    assert!(alone.len() == 1 && alone[0].ends_with("allows it in a season."), "{alone:?}");
}

/// Two products of 1 mg/mL: 70 mL of one in an earlier book of the season and 70 mL of the other here.
#[test]
fn an_ingredients_limit_holds_over_two_books_and_all_products_with_it() {
    let over = |limit: i64, season: &str, days: i64| {
        let mut w = World::new();
        let limited = |number: &str| {
            let mut label = Label { registration: number.into(), interval_days: Some(0), ..label() };
            label.active_ingredients[0].tree_season_max_ug = Some(limit);
            label
        };
        w.label = w.confirmed(limited("INV-0001"));
        let trees = treated(&mut w);
        let last = w.next_season(season, &trees);
        wait(&mut w, days);
        w.label = w.confirmed(limited("INV-0002"));
        w.diameter(A, trees[0], 3_000);
        w.treat(0, trees[0], 7);
        found(&w, &last, "dose.season_limit")
    };
    let all = over(139_000, "2026", 1);
    assert!(
        all.len() == 1
            && all[0].contains("T1: 140.0 mg")
            && all[0].contains("70.0 mg of it in an earlier book"),
        "{all:?}"
    );
    assert_eq!(over(140_000, "2026", 1), Vec::<String>::new());
    assert_eq!(over(139_000, "2028", 710), Vec::<String>::new());
}

/// The limit of a label of the product that nobody named: 70 mL in an earlier book and 70 mL here.
#[test]
fn a_label_that_nobody_named_limits_two_books_of_one_season() {
    let over = |most: i64| {
        let mut w = World::new();
        w.confirmed(Label { tree_season_max_ul: Some(Ul(most)), ..label() });
        let trees = treated(&mut w);
        let last = w.next_season("2026", &trees);
        w.diameter(A, trees[0], 3_000);
        w.treat(0, trees[0], 7);
        found(&w, &last, "dose.season_limit").len()
    };
    assert_eq!((over(139_000), over(140_000)), (1, 0));
}

#[test]
fn canopies_are_compared_tree_by_tree_and_what_was_not_seen_again_is_said() {
    let mut w = World::new();
    let trees = ["T1", "T2", "T3", "T4", "T5"].map(|tag| w.tree(Who::Office, tag));
    let see = |w: &mut World, tree, loss| {
        w.write(A, Condition { canopy_loss: Some(PerMille(loss)), ..Condition::about(tree) });
    };
    for (tree, loss) in trees.iter().zip([50, 200, 200, 400, 600]) {
        see(&mut w, *tree, loss);
    }
    w.treat(0, trees[0], 7);
    w.treat(0, trees[1], 7);
    let last = w.next_season("2027", &trees);
    wait(&mut w, 365);
    for (tree, loss) in trees.iter().zip([300, 90, 250, 700]) {
        see(&mut w, *tree, loss);
    }
    w.look_among(&[&last], |view, all, _, _| {
        let before = earlier(view, all);
        let (then, now) = (losses(before[0], |_| true), losses(view, |_| true));
        let counts = |season: &Season| season.classes.iter().map(|c| c.trees).collect::<Vec<_>>();
        // Classes to 10, 30, 50 and 100 % lost.
        assert_eq!(counts(&canopies(before[0], &then)), [1, 2, 1, 1]);
        assert_eq!(counts(&canopies(view, &now)), [1, 2, 0, 1]);
        let changed = change((before[0], &then), (view, &now));
        let moved = |m: Moved| (m.better, m.same, m.worse);
        assert_eq!(moved(changed.treated), (1, 0, 1), "T2 went from 20 to 9 %, T1 from 5 to 30 %");
        assert_eq!(moved(changed.untreated), (0, 1, 1), "T3 stayed between 10 and 30 %, T4 went to 70 %");
        assert_eq!(changed.not_again, 1, "T5");
        // Wilson (1927) for 1 of 2, by hand: centre 0.5, half-width 1.96 × √(0.25/2 + 1.96²/16) / (1 + 1.96²/2)
        // = 0.4055: 9.4 to 90.6 %.
        assert_eq!(changed.treated.held, Some((94, 906)));
        let due = due(view, &before);
        let days: Vec<_> = due.iter().map(|d| (d.tag.as_str(), d.from.map(|d| d.to_string()))).collect();
        // From 1 June 2026 it is 214 days to 1 January 2027 and 365 more to 1 January 2028; the
        // other 121 of 700 end on 1 May, as February has 29 days.
        let over = Some("2028-05-01".to_owned());
        assert_eq!(days, [("T1", over.clone()), ("T2", over)]);
    });
}
