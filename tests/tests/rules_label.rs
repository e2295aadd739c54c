//! What a label limits: each rule finds its case, leaves the nearest one alone, and says the same in
//! whatever order the commits came.

use bolebook_core::ids::RecordId;
use bolebook_core::quantity::{MilliCelsius, PerMille, Ul, Um, UtcMs};
use bolebook_core::record::label::{ClosedSeason, ForkedRule, Label, Sealing};
use bolebook_core::record::office::Requirements;
use bolebook_core::record::stand::{Block, Bloom, Condition, Corner, ReferenceMark, SoilMoisture};
use bolebook_core::record::work::Application;
use bolebook_tests::planted::{ash, base, finds, relabel, relist, require, silent, treat, under};
use bolebook_tests::world::{Who, World, day, label};

const A: Who = Who::Crew(0);

/// One tree treated under a label, with its application changed.
fn one(edit: impl FnOnce(&mut Label), change: impl FnOnce(&mut Application)) -> World {
    let mut w = under(edit);
    let tree = ash(&mut w, "T1");
    treat(&mut w, 0, tree, change);
    w
}

fn any(_: &mut Label) {}

#[test]
fn a_hole_too_deep_or_too_shallow_is_found_one_at_the_limit_is_not() {
    for (mm, wrong) in [(14, true), (15, false), (25, false), (26, true)] {
        let w = one(any, |a| a.holes[2].depth_um = Um(mm * 1_000));
        if wrong {
            assert!(finds(&w, "hole.depth").contains("hole 3 is"), "{mm}");
        } else {
            silent(&w, "hole.depth");
        }
    }
}

#[test]
fn a_hole_outside_the_band_is_found_beyond_what_a_hand_can_measure() {
    for (cm, wrong) in [(8, true), (9, false), (31, false), (33, true)] {
        let w = one(any, |a| a.holes[0].height_um = Um(cm * 10_000));
        if wrong { drop(finds(&w, "hole.outside_band")) } else { silent(&w, "hole.outside_band") }
    }
}

/// 30 cm of diameter are 94.2 cm of girth: seven holes at 12 cm leave 22.2 cm at the back, eight 10.2.
#[test]
fn holes_too_close_are_found_around_the_whole_trunk() {
    silent(&one(any, |_| ()), "hole.spacing");
    let close = one(any, |a| a.holes[1].arc_um = Um(100_000));
    assert!(finds(&close, "hole.spacing").contains("10.0 cm apart"));
    silent(&one(any, |a| a.holes[1].arc_um = Um(112_000)), "hole.spacing");
    let around = one(any, |a| a.holes[6].arc_um = Um(850_000));
    assert!(finds(&around, "hole.spacing").contains("9.2 cm apart"));
    // A tool that measured no arcs writes zeros.
    silent(&one(any, |a| a.holes.iter_mut().for_each(|h| h.arc_um = Um(0))), "hole.spacing");
}

#[test]
fn holes_of_two_crews_are_compared_only_where_the_tree_has_a_mark() {
    let two = |mark| {
        let mut w = base();
        let tree = ash(&mut w, "T1");
        relist(&mut w, tree, |t| t.mark = mark);
        let begun = treat(&mut w, 0, tree, |a| a.holes.truncate(3));
        treat(&mut w, 1, tree, |a| {
            a.holes.truncate(4);
            a.continues = Some(begun);
        });
        w
    };
    finds(&two(Some(ReferenceMark::Tag)), "hole.spacing");
    silent(&two(None), "hole.spacing");
}

#[test]
fn more_holes_and_larger_charges_than_the_label_allows_are_found() {
    finds(&one(|l| l.holes.most_holes = Some(6), |_| ()), "hole.too_many");
    silent(&one(|l| l.holes.most_holes = Some(7), |_| ()), "hole.too_many");
    finds(&one(any, |a| a.holes[0].put_in_ul = Ul(10_001)), "hole.charge_over_label");
    silent(&one(|l| l.charges.per_hole = 2, |a| a.holes[0].put_in_ul = Ul(20_000)), "hole.charge_over_label");
}

#[test]
fn holes_are_closed_or_left_open_as_the_label_says() {
    let open = |a: &mut Application| a.holes[3].sealed = false;
    let required = |l: &mut Label| l.holes.sealing = Sealing::Required;
    assert!(finds(&one(required, open), "hole.sealing").contains("1 of 7"));
    silent(&one(required, |_| ()), "hole.sealing");
    finds(&one(|l| l.holes.sealing = Sealing::Forbidden, open), "hole.sealing");
    silent(&one(any, open), "hole.sealing");
}

#[test]
fn containers_off_too_early_or_never_are_found() {
    let off = |a: &mut Application, s: i64| {
        a.holes.iter_mut().for_each(|h| h.removed_at = Some(UtcMs(a.started_at.0 + s * 1_000)));
    };
    finds(&one(any, |a| off(a, 59)), "hole.removed_early");
    silent(&one(any, |a| off(a, 60)), "hole.removed_early");
    finds(&one(any, |a| a.ended_at = UtcMs(a.started_at.0 + 40_000)), "hole.removed_early");
    let one_left = one(any, |a| {
        off(a, 600);
        a.holes[4].removed_at = None;
    });
    assert!(finds(&one_left, "hole.container_not_off").contains("hole 5"));
    silent(&one(any, |_| ()), "hole.container_not_off");
}

#[test]
fn a_leak_over_the_share_is_found_a_drop_is_not() {
    let leak = |a: &mut Application, ul: i64| {
        (a.holes[0].put_in_ul, a.holes[0].leaked_ul) = (Ul(10_000 - ul), Ul(ul));
    };
    assert!(finds(&one(any, |a| leak(a, 8_000)), "hole.leaks").contains("11.4 %"));
    silent(&one(any, |a| leak(a, 7_000)), "hole.leaks");
    let mut w = one(any, |a| leak(a, 4_000));
    require(&mut w, Requirements { leak_share: Some(PerMille(50)), ..Requirements::default() });
    finds(&w, "hole.leaks");
}

#[test]
fn another_bit_than_the_label_asks_for_is_found_once_a_kit() {
    assert!(finds(&one(|l| l.holes.bit_um = Um(8_000), |_| ()), "hole.wrong_bit").contains("Kit 0"));
    silent(&one(any, |_| ()), "hole.wrong_bit");
}

/// One tree seen in a condition, then treated under a label.
fn seen(edit: impl FnOnce(&mut Label), judge: impl FnOnce(&mut Condition)) -> World {
    let mut w = under(edit);
    let tree = ash(&mut w, "T1");
    let mut body = Condition::about(tree);
    judge(&mut body);
    w.write(A, body);
    treat(&mut w, 0, tree, |_| ());
    w
}

#[test]
fn conditions_the_label_forbids_are_found_and_those_at_its_limit_are_not() {
    let cold = |l: &mut Label| l.conditions.air_min_mc = Some(MilliCelsius(5_000));
    finds(&seen(cold, |c| c.air_mc = Some(MilliCelsius(4_900))), "condition.temperature");
    silent(&seen(cold, |c| c.air_mc = Some(MilliCelsius(5_000))), "condition.temperature");
    let canopy = |l: &mut Label| l.conditions.canopy_loss_max = Some(PerMille(300));
    finds(&seen(canopy, |c| c.canopy_loss = Some(PerMille(310))), "condition.canopy");
    silent(&seen(canopy, |c| c.canopy_loss = Some(PerMille(300))), "condition.canopy");
    let soil = |l: &mut Label| l.conditions.soil = vec![SoilMoisture::Moist];
    finds(&seen(soil, |c| c.soil = Some(SoilMoisture::Dry)), "condition.soil");
    silent(&seen(soil, |c| c.soil = Some(SoilMoisture::Moist)), "condition.soil");
    let bloom = |l: &mut Label| l.conditions.not_in_bloom = true;
    finds(&seen(bloom, |c| c.bloom = Some(Bloom::In)), "condition.bloom");
    silent(&seen(bloom, |c| c.bloom = Some(Bloom::After)), "condition.bloom");
    let food = |l: &mut Label| l.conditions.not_for_food = true;
    finds(&seen(food, |c| c.food = Some(true)), "condition.food");
    silent(&seen(food, |c| c.food = Some(false)), "condition.food");
    silent(&seen(any, |c| c.food = Some(true)), "condition.food");
    let water = |l: &mut Label| l.conditions.water_distance_um = Some(Um(10_000_000));
    finds(&seen(water, |c| c.water_um = Some(Um(9_000_000))), "condition.water");
    silent(&seen(water, |c| c.water_um = Some(Um(10_000_000))), "condition.water");
    let felling = |l: &mut Label| l.conditions.days_before_felling = Some(60);
    finds(&seen(felling, |c| c.felling = Some(day("2026-07-30"))), "condition.felling");
    silent(&seen(felling, |c| c.felling = Some(day("2026-07-31"))), "condition.felling");
}

#[test]
fn a_closed_season_is_found_for_the_species_it_names() {
    let closed = |species: &str, to: &str| {
        let season = ClosedSeason {
            from: "04-10".into(),
            to: to.into(),
            species: vec![species.into()],
            why: "bees".into(),
        };
        one(|l| l.conditions.closed = vec![season], |_| ())
    };
    finds(&closed("1FRXG", "06-01"), "condition.closed_season");
    silent(&closed("1FRXG", "05-31"), "condition.closed_season");
    silent(&closed("1QUEG", "06-01"), "condition.closed_season");
}

#[test]
fn what_the_label_asks_to_be_judged_is_asked_for_once_a_day() {
    let asks = |l: &mut Label| l.conditions.canopy_loss_max = Some(PerMille(300));
    let mut w = under(asks);
    for tag in ["T1", "T2", "T3"] {
        let tree = ash(&mut w, tag);
        treat(&mut w, 0, tree, |_| ());
    }
    assert!(finds(&w, "condition.not_assessed").contains("canopy loss of trees T1, T2, T3"));
    assert_eq!(w.codes().iter().filter(|c| **c == "condition.not_assessed").count(), 1);
    silent(&one(any, |_| ()), "condition.not_assessed");
    let mut w = one(any, |_| ());
    require(&mut w, Requirements { condition: true, ..Requirements::default() });
    finds(&w, "condition.not_assessed");
    // Logged in the evening, it still counts.
    let tree = w.look(|view, _, _| *view.trees.keys().next().unwrap());
    w.write(A, Condition::about(tree));
    silent(&w, "condition.not_assessed");
}

/// A block of 100 m by 100 m in which two trees got 70 mL each, under a limit per hectare.
fn in_block(most_ul_per_ha: i64, drawn: bool) -> World {
    let mut w = under(|l| l.area_season_max_ul_per_ha = Some(Ul(most_ul_per_ha)));
    let (trees, block) = block(&mut w, drawn);
    for tree in trees {
        relist(&mut w, tree, |t| t.block = Some(block));
        treat(&mut w, 0, tree, |_| ());
    }
    w
}

fn block(w: &mut World, drawn: bool) -> (Vec<bolebook_core::ids::RecordId>, bolebook_core::ids::RecordId) {
    let trees: Vec<_> = ["T1", "T2"].iter().map(|t| ash(w, t)).collect();
    let at = w.look(|view, _, _| view.tree(trees[0]).unwrap().position.unwrap());
    let (s, x) = (450_000, 610_000);
    let corner = |lat: i64, lon: i64| Corner { lat_ndeg: at.lat_ndeg + lat, lon_ndeg: at.lon_ndeg + lon };
    let boundary =
        if drawn { vec![corner(-s, -x), corner(-s, x), corner(s, x), corner(s, -x)] } else { vec![] };
    let block = w.write(Who::Office, Block { name: "North".into(), boundary });
    (trees, block)
}

/// Twice 70 mL on 0.9987 ha (the corners' offsets are 50 m to the degree's length there): the limit
/// is passed below about 140 mL a hectare.
#[test]
fn a_blocks_limit_per_hectare_is_found_and_needs_a_boundary() {
    let message = finds(&in_block(139_000, true), "dose.area_limit");
    assert!(message.contains("Block North") && message.contains("140.0 mL"), "{message}");
    silent(&in_block(142_000, true), "dose.area_limit");
    silent(&in_block(142_000, true), "dose.area_not_known");
    finds(&in_block(142_000, false), "dose.area_not_known");
}

#[test]
fn an_ingredients_limit_holds_over_all_products_with_it() {
    let twice = |limit: i64| {
        let mut w = under(|l| {
            l.active_ingredients[0].tree_season_max_ug = Some(limit);
            l.interval_days = Some(0);
        });
        let tree = ash(&mut w, "T1");
        treat(&mut w, 0, tree, |_| ());
        relabel(&mut w, |l| l.registration = "INV-0002".into());
        w.fill(0, 100_000);
        treat(&mut w, 0, tree, |_| ());
        w
    };
    // 140 mL of 1 mg/mL are 140 mg.
    let message = finds(&twice(139_000), "dose.season_limit");
    assert!(message.contains("2 products"), "{message}");
    silent(&twice(140_000), "dose.season_limit");
}

/// A limit is the product's: a registration number corrected in its label, or the same number entered
/// again as another label, spaced otherwise, begins no new count.
#[test]
fn a_season_is_summed_over_all_labels_of_a_product() {
    let twice = |most: i64, again: fn(&mut World)| {
        let mut w = under(|l| {
            l.tree_season_max_ul = Some(Ul(most));
            l.interval_days = Some(0);
        });
        let tree = ash(&mut w, "T1");
        treat(&mut w, 0, tree, |_| ());
        again(&mut w);
        w.fill(0, 100_000);
        treat(&mut w, 0, tree, |_| ());
        w
    };
    // 70 mL and 70 mL.
    let amended = |w: &mut World| {
        let label =
            Label { registration: "INV 0009".into(), tree_season_max_ul: Some(Ul(140_000)), ..label() };
        w.label = w.yard_amend(Who::Office, w.label, label);
    };
    finds(&twice(139_000, amended), "dose.season_limit");
    silent(&twice(140_000, amended), "dose.season_limit");
    let entered_again = |w: &mut World| relabel(w, |l| l.registration = "inv 0001".into());
    finds(&twice(139_000, entered_again), "dose.season_limit");
    let another = |w: &mut World| relabel(w, |l| l.registration = "INV-0002".into());
    silent(&twice(139_000, another), "dose.season_limit");
    // One of the product's labels states no limit: the other's holds, whichever came first.
    let without = |w: &mut World| relabel(w, |l| l.tree_season_max_ul = None);
    finds(&twice(139_000, without), "dose.season_limit");
    let mut w = under(|l| l.interval_days = Some(0));
    let tree = ash(&mut w, "T1");
    treat(&mut w, 0, tree, |_| ());
    relabel(&mut w, |l| (l.interval_days, l.tree_season_max_ul) = (Some(0), Some(Ul(139_000))));
    w.fill(0, 100_000);
    treat(&mut w, 0, tree, |_| ());
    finds(&w, "dose.season_limit");
}

/// A label of the product that stands unused while 70 mL and 70 mL go in under one without a limit.
#[test]
fn a_label_of_the_product_that_nobody_named_limits_a_season_too() {
    let beside = |most: i64, change: &dyn Fn(&mut World, RecordId, Label)| {
        let mut w = under(|l| l.interval_days = Some(0));
        let other = Label { registration: "inv 0001".into(), tree_season_max_ul: Some(Ul(most)), ..label() };
        let id = w.confirmed(other.clone());
        change(&mut w, id, other);
        let tree = ash(&mut w, "T1");
        treat(&mut w, 0, tree, |_| ());
        w.fill(0, 100_000);
        treat(&mut w, 0, tree, |_| ());
        w
    };
    let message = finds(&beside(139_000, &|_, _, _| ()), "dose.season_limit");
    assert!(message.contains("in force for the same product"), "{message}");
    silent(&beside(140_000, &|_, _, _| ()), "dose.season_limit");
    // One treatment alone may be too much by itself.
    finds(&beside(69_000, &|_, _, _| ()), "dose.season_limit");
    let free = |label: Label| Label { tree_season_max_ul: None, ..label };
    finds(
        &beside(139_000, &|w, id, label| {
            w.yard_amend(Who::Office, id, free(label));
        }),
        "dose.season_limit",
    );
    silent(
        &beside(139_000, &|w, id, label| {
            w.reissued(id, free(label));
        }),
        "dose.season_limit",
    );
    let past = |label: Label| Label { expires: Some(day("2026-05-31")), ..label };
    silent(
        &beside(139_000, &|w, id, label| {
            w.reissued(id, past(label));
        }),
        "dose.season_limit",
    );
    let other = |label: Label| Label { registration: "INV-0002".into(), ..free(label) };
    silent(
        &beside(139_000, &|w, id, label| {
            w.reissued(id, other(label));
        }),
        "dose.season_limit",
    );
    // Entered two days after the work: it says nothing of it.
    let mut w = one(any, |_| ());
    w.now.0 += 2 * 86_400_000;
    w.confirmed(Label { tree_season_max_ul: Some(Ul(1_000)), ..label() });
    silent(&w, "dose.season_limit");
}

/// The same of an active ingredient over two products, and of a limit per hectare.
#[test]
fn a_label_that_nobody_named_limits_ingredients_and_blocks_too() {
    let two_products = |limit: i64| {
        let mut w = under(|l| l.interval_days = Some(0));
        let mut other = label();
        other.active_ingredients[0].tree_season_max_ug = Some(limit);
        w.confirmed(other);
        let tree = ash(&mut w, "T1");
        treat(&mut w, 0, tree, |_| ());
        relabel(&mut w, |l| l.registration = "INV-0002".into());
        w.fill(0, 100_000);
        treat(&mut w, 0, tree, |_| ());
        w
    };
    let message = finds(&two_products(139_000), "dose.season_limit");
    assert!(message.contains("2 products"), "{message}");
    silent(&two_products(140_000), "dose.season_limit");
    let of_block = |most: i64| {
        let mut w = under(any);
        w.confirmed(Label { area_season_max_ul_per_ha: Some(Ul(most)), ..label() });
        let (trees, block) = block(&mut w, true);
        for tree in trees {
            relist(&mut w, tree, |t| t.block = Some(block));
            treat(&mut w, 0, tree, |_| ());
        }
        w
    };
    finds(&of_block(139_000), "dose.area_limit");
    silent(&of_block(142_000), "dose.area_limit");
}

#[test]
fn a_label_must_suit_the_trees_species_pest_and_stems() {
    let mut w = one(any, |_| ());
    let tree = w.look(|view, _, _| *view.trees.keys().next().unwrap());
    silent(&w, "dose.species_unknown");
    relist(&mut w, tree, |t| t.species = None);
    finds(&w, "dose.species_unknown");

    finds(&seen(any, |c| c.pest = Some("ANOLGL".into())), "dose.pest_not_on_label");
    silent(&seen(any, |c| c.pest = Some("AGRLPL".into())), "dose.pest_not_on_label");

    let forked = |rule| {
        let mut w = one(move |l| l.forked = rule, |_| ());
        let tree = w.look(|view, _, _| *view.trees.keys().next().unwrap());
        relist(&mut w, tree, |t| t.stems = 2);
        w
    };
    finds(&forked(ForkedRule::Silent), "dose.forked");
    silent(&forked(ForkedRule::EachStem), "dose.forked");
    assert_eq!(label().forked, ForkedRule::EachStem);
}
