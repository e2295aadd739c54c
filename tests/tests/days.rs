//! Laws over whole invented days on several replicas: everything shown converges byte for byte (1),
//! no application is ever hidden (3), and volume is conserved in every view (4).

use std::collections::BTreeSet;

use bolebook_core::export::{
    NoNames, applications_csv, balance_json, findings_json, summary_json, trees_csv, trees_geojson,
};
use bolebook_core::ids::RecordId;
use bolebook_core::quantity::{Ul, UtcMs};
use bolebook_core::record::Kind;
use bolebook_core::record::office::SignOff;
use bolebook_core::record::product::MovementKind;
use bolebook_tests::world::{Who, World, day};
use proptest::prelude::*;

/// One thing that happens, by numbers that always mean something.
#[derive(Clone, Debug)]
struct Event {
    replica: usize,
    crew: usize,
    what: u8,
    pick: usize,
    amount: i64,
}

fn events() -> impl Strategy<Value = Vec<Event>> {
    let event = (0usize..3, 0usize..2, 0u8..14, any::<usize>(), 0i64..200_000);
    let event =
        event.prop_map(|(replica, crew, what, pick, amount)| Event { replica, crew, what, pick, amount });
    proptest::collection::vec(event, 0..50)
}

fn of_kind(w: &World, kind: Kind) -> Vec<RecordId> {
    let name = format!(r#""kind":"{}""#, kind.name());
    let holds = |c: &bolebook_core::book::Carrier| w.job.text(*c).contains(&name);
    w.job.records().filter(|(_, carriers)| carriers.iter().any(holds)).map(|(id, _)| id).collect()
}

fn pick(from: &[RecordId], n: usize) -> Option<RecordId> {
    if from.is_empty() { None } else { Some(from[n % from.len()]) }
}

fn happen(worlds: &mut [World], event: &Event) {
    let Event { replica, crew, what, pick: n, amount } = *event;
    if what == 0 {
        let other = worlds[n % worlds.len()].clone();
        worlds[replica].merge(&other);
        return;
    }
    let w = &mut worlds[replica];
    w.now = UtcMs(w.now.0 + 60_000);
    let who = Who::Crew(crew);
    let trees = of_kind(w, Kind::Tree);
    let applications = of_kind(w, Kind::Application);
    let closing = w.now;
    match (what, pick(&trees, n), pick(&applications, n)) {
        (1, ..) => {
            w.tree(who, &format!("T{}", n % 20));
        }
        (2, Some(tree), _) => {
            w.diameter(who, tree, 1_500 + amount / 100);
        }
        (3 | 4, Some(tree), _) => {
            w.treat(crew, tree, n % 12);
        }
        (5, ..) => {
            w.fill(crew, amount);
        }
        (6, ..) => {
            w.close_day(crew, amount);
        }
        (7, ..) => {
            w.movement(Who::Office, MovementKind::OnHand, amount * 10, None);
        }
        (8, ..) => {
            w.movement(who, MovementKind::Spilled, amount / 10, Some(crew));
        }
        (9, ..) => {
            w.movement(who, MovementKind::PrimedOrTested, amount / 10, Some(crew));
        }
        (10, Some(tree), Some(application)) => {
            let mut body = w.application(crew, tree, n % 9);
            body.continues = (amount % 2 == 0).then_some(application);
            body.ended_at = closing;
            w.amend(who, &[application], body);
        }
        (11, _, Some(application)) => {
            w.strike(if n % 2 == 0 { who } else { Who::Office }, application);
        }
        (12, ..) => {
            let (job_heads, yard_heads) = (w.job.heads(), w.yard.heads());
            let crew = w.crews[crew];
            w.write(Who::Office, SignOff { crew, day: day("2026-06-01"), job_heads, yard_heads });
        }
        (13, Some(tree), _) => {
            w.write(Who::Stranger, w.application(crew, tree, 3));
        }
        _ => {}
    }
}

fn play(events: &[Event]) -> Vec<World> {
    let first = World::new();
    let second = first.apart();
    let third = second.apart();
    let mut worlds = vec![first, second, third];
    events.iter().for_each(|event| happen(&mut worlds, event));
    worlds
}

/// Everything a person is shown.
fn shown(w: &World) -> String {
    w.look(|view, balance, findings| {
        [
            trees_csv(view, findings).unwrap(),
            applications_csv(view, findings, &NoNames).unwrap(),
            trees_geojson(view, findings).unwrap(),
            findings_json(view, findings).unwrap(),
            balance_json(view, balance).unwrap(),
            summary_json(view, findings, balance).unwrap(),
        ]
        .join("\n")
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn i1_everything_shown_is_a_function_of_the_heads(events in events()) {
        let worlds = play(&events);
        let merged = |order: [usize; 3]| {
            let mut all = worlds[order[0]].clone();
            order[1..].iter().for_each(|i| all.merge(&worlds[*i]));
            all
        };
        let (a, b) = (merged([0, 1, 2]), merged([2, 1, 0]));
        prop_assert_eq!(a.job.heads(), b.job.heads());
        prop_assert_eq!(shown(&a), shown(&b));
    }

    #[test]
    fn i3_every_application_written_is_in_the_export(events in events()) {
        for w in play(&events) {
            let text = w.look(|view, _, findings| applications_csv(view, findings, &NoNames).unwrap());
            let written: BTreeSet<RecordId> = of_kind(&w, Kind::Application).into_iter().collect();
            let facts = w.look(|view, _, _| view.facts.of_kind(Kind::Application).map(|f| f.id).collect::<BTreeSet<_>>());
            prop_assert!(facts.is_subset(&written));
            for id in &written {
                let root = w.look(|view, _, _| view.facts.fact_of(*id).map(|f| f.id));
                let root = root.expect("a readable application belongs to a fact");
                prop_assert!(text.contains(&root.to_string()), "{} is missing", id);
            }
        }
    }

    #[test]
    fn i4_volume_is_conserved_in_every_view(events in events()) {
        for w in play(&events) {
            w.look(|view, balance, _| {
                for lot in &balance.lots {
                    let exact = |s: bolebook_core::balance::Span| s.low == s.high;
                    let spent = lot.spent;
                    let accounted = [
                        spent.total(), lot.in_kits_ul, lot.not_yet_measured_ul, lot.unexplained_ul,
                    ];
                    if accounted.iter().copied().chain([lot.drawn_ul, lot.on_hand_ul]).all(exact) {
                        assert_eq!(lot.received_ul.low, lot.on_hand_ul.low + lot.drawn_ul.low);
                        assert_eq!(lot.drawn_ul.low, accounted.iter().map(|s| s.low).sum::<i64>());
                    } else {
                        // A contested record makes a range; the true figure lies in it.
                        let low: i64 = accounted.iter().map(|s| s.low).sum();
                        let high: i64 = accounted.iter().map(|s| s.high).sum();
                        assert!(low <= lot.drawn_ul.high && lot.drawn_ul.low <= high);
                    }
                }
                for row in &balance.crew_days {
                    let unexplained = row.unexplained_ul.unwrap_or_default();
                    let left = row.opening_ul.low + row.filled_ul.low - row.spent.total().high - row.closing_ul.high;
                    assert_eq!(left, unexplained.low);
                }
                // Into trees by the books' own facts, added up another way.
                let mut into_trees = (0, 0);
                for fact in view.facts.in_force(Kind::Application) {
                    let volumes: Vec<Ul> = view.facts.current(fact).filter_map(|v| match &v.record.body {
                        bolebook_core::record::Body::Application(a) => Some(a.put_in_ul()),
                        _ => None,
                    }).collect();
                    into_trees.0 += volumes.iter().map(|v| v.0).min().unwrap_or(0);
                    into_trees.1 += volumes.iter().map(|v| v.0).max().unwrap_or(0);
                }
                let low: i64 = balance.lots.iter().map(|l| l.spent.into_trees_ul.low).sum();
                let high: i64 = balance.lots.iter().map(|l| l.spent.into_trees_ul.high).sum();
                assert!(low <= into_trees.0 && into_trees.1 <= high, "{low}..{high} against {into_trees:?}");
                let counts = view.counts();
                assert_eq!(counts.listed, counts.treated + counts.not_treated + counts.left);
            });
        }
    }
}
