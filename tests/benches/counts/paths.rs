//! The paths that are counted, each prepared on its own input: invented, from fixed numbers, without a
//! clock. What is prepared is not counted. INVENTED: NOT FOR USE.

use std::sync::Arc;

use bolebook_core::balance::balance;
use bolebook_core::book::Book;
use bolebook_core::check::check;
use bolebook_core::check::kept::{Kept, Touched};
use bolebook_core::dosing::advice::{AdviceRequest, advise};
use bolebook_core::dosing::charges::{choose_within, pack};
use bolebook_core::dosing::conditions::{Circumstances, cautions};
use bolebook_core::dosing::dose::dose_for;
use bolebook_core::dosing::invented::{ash_label, good_day};
use bolebook_core::dosing::layout::{LayoutRequest, plan, room};
use bolebook_core::exchange::{BookRequest, Cursor};
use bolebook_core::export::trees_csv;
use bolebook_core::linkage::link;
use bolebook_core::quantity::{PerMille, Ul, Um, UtcMs};
use bolebook_core::record::kit::ContainerKind;
use bolebook_core::record::stand::{Damage, DamageKind, ReferenceMark};
use bolebook_core::record::{Kind, Record};
use bolebook_core::view::{View, Yard};
use bolebook_log::serve::hand_out;
use bolebook_log::{Page, append};
use bolebook_probe::Everyone;
use bolebook_server::body::{Encoding, lines, read_exchange};
use bolebook_tests::scale::crews::{Crew, crew, morning, put};
use bolebook_tests::scale::server::Way;
use bolebook_tests::season::{A_DAY, opened, write_season, yard};
use bolebook_tests::stand::label;
use bolebook_tests::world::World;

/// One path on its input; gives a figure of what came out, so that nothing is optimised away.
pub type Path = Box<dyn FnMut() -> usize>;

/// A path's name and what prepares it.
pub type Named = (&'static str, fn() -> Path);

/// Trees of the job that is folded, checked and matched.
const TREES: usize = 1_000;

/// Every path.
pub const PATHS: [Named; 13] = [
    ("read a day's exchange: unpack, parse, canonical form, hash", read_day),
    ("gate and append the day to a SQLite log", append_day),
    ("read the day's 1,200 records", read_records),
    ("pack an answer of the day", pack_answer),
    ("fold a view of 1,000 trees, their records read before", fold),
    ("grow that view by a day of 400 trees", grow),
    ("balance of 1,000 trees", balance_all),
    ("check 1,000 trees", check_all),
    ("check again what the day touched", recheck),
    ("match 1,000 trees located by satellite", matching),
    ("plan 100 stems", plan_stems),
    ("ask for 20 of 1,000 trees whether they may be treated", ask),
    ("export trees.csv of 1,000 trees", export),
];

/// The morning of one crew and its day.
fn evening() -> (World, Crew) {
    let world = morning(1);
    let day = crew(&world, 0);
    (world, day)
}

fn read_day() -> Path {
    let (world, day) = evening();
    let start = Cursor::START;
    let mut text = format!(
        "{{\"exchange\":1,\"now\":0}}\n{{\"book\":\"{}\",\"server\":null,\"position\":{},\"chain\":\"{}\"}}\n",
        world.job.id(),
        start.position,
        start.chain
    );
    for line in &day.lines {
        text.push_str(line.text());
        text.push('\n');
    }
    let packed = Way::pack(&text);
    Box::new(move || {
        let read = read_exchange(&packed, Encoding::Zstd).expect("a body of our own");
        read.books.iter().map(|(_, lines)| lines.len()).sum()
    })
}

/// A log on disk with the morning in it.
fn morning_log(world: &World) -> (tempfile::TempDir, bolebook_db::Connection) {
    let folder = tempfile::tempdir().expect("a folder");
    let mut db = bolebook_log::open(&folder.path().join("log.sqlite")).expect("a log");
    put(&mut db, world.job.id(), &bolebook_tests::scale::crews::lines(&world.job));
    (folder, db)
}

fn append_day() -> Path {
    let (world, day) = evening();
    let (folder, mut db) = morning_log(&world);
    Box::new(move || {
        let _stays = &folder;
        let tx = db.transaction().expect("a transaction");
        let appended = append(&tx, world.job.id(), &day.lines).expect("it passes the gate");
        tx.commit().expect("kept");
        appended.new.len()
    })
}

fn read_records() -> Path {
    let (_, day) = evening();
    let texts: Vec<String> = day.day.into_iter().flatten().map(|(_, text)| text).collect();
    Box::new(move || texts.iter().filter(|text| Record::read(text).is_ok()).count())
}

fn pack_answer() -> Path {
    let (world, day) = evening();
    let (folder, mut db) = morning_log(&world);
    put(&mut db, world.job.id(), &day.lines);
    let start = Cursor::START;
    let request =
        BookRequest { book: world.job.id(), server: None, position: start.position, chain: start.chain };
    Box::new(move || {
        let _stays = &folder;
        let out = hand_out(&db, &request, &[], Page::ALL).expect("its lines");
        let size = out.body.len();
        drop(std::hint::black_box(lines(out.body, Encoding::Zstd).expect("packed")));
        size
    })
}

/// A job of so many trees with its yard.
fn season(trees: usize) -> (Book, Arc<Yard>) {
    let mut book = opened();
    write_season(&mut book, 0..trees, true);
    (book, Arc::new(Yard::read(&yard(), &Everyone).expect("a yard")))
}

fn view(book: &Book, yard: &Arc<Yard>) -> View<'static> {
    View::read(book, yard.clone(), &Everyone).expect("a view")
}

fn fold() -> Path {
    let (book, yard) = season(TREES);
    // The first reading keeps the records with the book, as on a server that has it in memory.
    drop(view(&book, &yard));
    Box::new(move || view(&book, &yard).trees.len())
}

fn grow() -> Path {
    let (mut book, yard) = season(TREES);
    let before = view(&book, &yard);
    write_season(&mut book, TREES..TREES + A_DAY, true);
    Box::new(move || {
        let (grown, new) = before.grown(&book, &Everyone).expect("a day only adds");
        grown.trees.len() + new.len()
    })
}

fn balance_all() -> Path {
    let (book, yard) = season(TREES);
    let view = view(&book, &yard);
    Box::new(move || balance(&yard, &[&view]).lots.len())
}

fn check_all() -> Path {
    let (book, yard) = season(TREES);
    let view = view(&book, &yard);
    let account = balance(&yard, &[&view]);
    Box::new(move || check(&view, &account).len())
}

fn recheck() -> Path {
    let (mut book, yard) = season(TREES);
    let before = view(&book, &yard);
    let mut kept = Kept::of(&before, &[], &balance(&yard, &[&before]));
    write_season(&mut book, TREES..TREES + A_DAY, true);
    let (grown, facts) = before.grown(&book, &Everyone).expect("a day only adds");
    let account = balance(&yard, &[&grown]);
    Box::new(move || {
        let touched = Touched::grown(&before, &grown, &facts);
        kept.update(&grown, &[], &account, &touched);
        kept.findings().len()
    })
}

fn matching() -> Path {
    let (book, yard) = season(TREES);
    let view = view(&book, &yard);
    Box::new(move || {
        let linked = link(&bolebook_core::check::same_tree::listings(&view));
        1 + linked.pairs.len() + linked.doubtful.len()
    })
}

fn ten_ml() -> ContainerKind {
    ContainerKind {
        name: "10 mL".into(),
        charge_ul: Ul(10_000),
        inner_volume_ul: None,
        scale_step_ul: None,
        charge_u_ul: Ul(100),
        shared_u_ul: Ul(50),
    }
}

fn plan_stems() -> Path {
    let (label, kit) = (ash_label(), [ten_ml()]);
    let now = Circumstances { canopy_loss: Some(PerMille(350)), ..good_day() };
    let wounds = [Damage { stem: 1, what: DamageKind::Wound, from_um: Um(100_000), to_um: Um(160_000) }];
    Box::new(move || {
        let mut holes = 0;
        for cm in 20..120 {
            let diameter = Um(cm * 10_000);
            let dose = dose_for(&label, "preventive", diameter).expect("a dose");
            let mut request = LayoutRequest {
                rules: &label.holes,
                holes: 1,
                diameter_um: diameter,
                band_low_girth_um: None,
                band_high_girth_um: None,
                bark_um: Some(Um(8_000)),
                mark: Some(ReferenceMark::North),
                damage: &wounds,
                earlier: &[],
                clearance_um: label.holes.spacing_um,
                past_clearance_um: label.holes.spacing_um,
            };
            let room = room(&request).expect("room");
            let charges = choose_within(&dose, &label.charges, &kit, room).expect("charges");
            request.holes = pack(&charges.charges_ul, &label.charges).len();
            holes += request.holes;
            std::hint::black_box((plan(&request).expect("a layout"), cautions(&label, &[], &now)));
        }
        holes
    })
}

fn ask() -> Path {
    let (book, yard) = season(TREES);
    let view = view(&book, &yard);
    let of_kind = |kind| yard.facts.of_kind(kind).next().expect("one of them among the examples").id;
    let (kit, lot, person) = (of_kind(Kind::Kit), of_kind(Kind::Lot), of_kind(Kind::Person));
    let trees: Vec<_> = view.trees.keys().copied().step_by(50).collect();
    let label = label().0;
    Box::new(move || {
        let one = |tree: &_| {
            let ask = AdviceRequest {
                tree: *tree,
                stem: 1,
                label,
                purpose: "preventive",
                kit,
                lot: Some(lot),
                applicator: Some(person),
                supervisor: None,
                now: UtcMs(1_789_387_200_000),
                seen: Circumstances::default(),
                findings: &[],
                past: None,
                continues: None,
            };
            std::hint::black_box(advise(&view, &ask));
        };
        trees.iter().for_each(one);
        trees.len()
    })
}

fn export() -> Path {
    let (book, yard) = season(TREES);
    let view = view(&book, &yard);
    Box::new(move || trees_csv(&view, &[]).expect("a table").len())
}
