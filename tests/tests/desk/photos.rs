//! Photos at the desk and in the client's link: what each shows, and what a camera wrote does not leave.

use std::path::Path;
use std::process::Command;

use bolebook_core::ids::{DeviceId, RecordId, Sha256Hash};
use bolebook_core::record::work::Photo;
use bolebook_core::service::PhotoStored;
use bolebook_objects::{Folder, Key};
use bolebook_server::Config;
use bolebook_server::photos::{held, remove};
use bolebook_tests::world::{Who, World};

use crate::camera::{picture, seen};
use crate::portal::{days, link, sign_off, visible};
use crate::site::{Browser, Site};

const CAPTION: &str = "gate code 1234, ask for the neighbour";

pub fn take(world: &mut World, crew: usize, about: RecordId, bytes: &[u8], media_type: &str) -> Sha256Hash {
    let sha256 = Sha256Hash::of(bytes);
    let (media_type, caption) = (media_type.to_owned(), Some(CAPTION.to_owned()));
    let taken_at = world.now;
    let photo =
        Photo { sha256, bytes: bytes.len() as i64, media_type, about: Some(about), taken_at, caption };
    world.write(Who::Crew(crew), photo);
    sha256
}

/// Puts bytes in their place as an upload's end does.
pub fn bring(site: &Site, bytes: &[u8], media_type: &str) {
    let sha256 = Sha256Hash::of(bytes);
    let draft = site.data.path().join("tmp/draft");
    std::fs::write(&draft, bytes).unwrap();
    site.app.objects.put_file(&Key::photo(sha256), &draft, sha256).unwrap();
    let photo = PhotoStored { sha256, media_type: media_type.into(), bytes: bytes.len() as u64 };
    held::note(&site.app, &photo, DeviceId([1; 16]), |_| Ok(())).unwrap();
}

pub fn tree(world: &World, tag: &str) -> RecordId {
    world.look(|view, _, _| view.trees.keys().copied().find(|id| view.tag(*id) == tag).unwrap())
}

fn holds(bytes: &[u8], text: &str) -> bool {
    bytes.windows(text.len()).any(|w| w == text.as_bytes())
}

#[test]
fn outside_a_trees_page_shows_its_photos_with_time_and_place_and_what_has_not_come() {
    let (folder, mut world) = (tempfile::tempdir().unwrap(), days());
    let signed = tree(&world, "SIGNED-1");
    let bytes = picture(folder.path(), 6, "JPEG");
    let whole = picture(folder.path(), 1, "WEBP");
    let here = take(&mut world, 0, signed, &bytes, "image/jpeg");
    let web = take(&mut world, 0, signed, &whole, "image/webp");
    let missing = take(&mut world, 0, signed, b"never came", "image/jpeg");
    let site = Site::new(&mut world, true);
    bring(&site, &bytes, "image/jpeg");
    bring(&site, &whole, "image/webp");
    let mut desk = site.browser();
    let job = world.job.id();
    let page = desk.page(&format!("/jobs/{job}/trees/{signed}"));
    for words in [
        CAPTION,
        "40.510000, -75.250000",
        "2026-06-01 08:30",
        "far from the tree",
        "have not come to this server",
    ] {
        assert!(page.text.contains(words), "{words}: {}", page.text);
    }
    let path = format!("/jobs/{job}/photos/{here}");
    assert!(page.text.contains(&format!("<img src=\"{path}/thumbnail\" alt=\"Photo of tree SIGNED-1 taken")));
    assert_eq!(desk.page(&path).bytes, bytes, "the office sees it as it came");
    let small = desk.page(&format!("{path}/thumbnail"));
    assert_eq!(small.header("content-type"), "image/jpeg");
    assert_eq!(seen(folder.path(), &small.bytes)["size"], serde_json::json!([80, 120]), "upright");
    assert!(!page.text.contains(&format!("{web}/thumbnail")), "no thumbnail is made of WebP");
    assert_eq!(desk.page(&format!("/jobs/{job}/photos/{web}")).header("content-type"), "image/webp");
    assert_eq!(desk.get(&format!("/jobs/{job}/photos/{missing}")).status, 404);
    // One that no record of the job names is not there for its pages.
    let other = [&bytes[..], b"other"].concat();
    bring(&site, &other, "image/jpeg");
    assert_eq!(desk.get(&format!("/jobs/{job}/photos/{}", Sha256Hash::of(&other))).status, 404);
    let mut nobody = Browser::new(&site.desk);
    assert_eq!(nobody.get(&path).status, 303, "to the sign-in");
}

#[test]
fn outside_a_client_sees_photos_of_signed_days_without_place_time_or_caption() {
    a_client_sees_photos(|_| {});
}

/// The same whatever place photos lie in.
pub fn a_client_sees_photos(place: impl FnOnce(&mut Config)) {
    let (folder, mut world) = (tempfile::tempdir().unwrap(), days());
    let (signed, open) = (tree(&world, "SIGNED-1"), tree(&world, "OPEN-2"));
    let bytes = picture(folder.path(), 6, "JPEG");
    let others = picture(folder.path(), 1, "PNG");
    let here = take(&mut world, 0, signed, &bytes, "image/jpeg");
    let not_signed = take(&mut world, 1, open, &others, "image/png");
    take(&mut world, 0, signed, b"never came", "image/jpeg");
    let site = Site::with(&mut world, true, place);
    bring(&site, &bytes, "image/jpeg");
    bring(&site, &others, "image/png");
    let mut desk = site.browser();
    let link = link(&mut desk, &world, "30");
    let mut client = Browser::new(&site.portal);
    assert_eq!(client.get(&format!("{link}/photos/{here}")).status, 404, "not before the sign-off");
    let none = visible(&client.page(&format!("{link}/photos")));
    assert!(none.contains("No photo of this work is signed off yet"), "{none}");
    sign_off(&mut desk, &world);
    let page = client.page(&link);
    let text = visible(&page);
    assert!(
        text.contains(&format!("{here}/thumbnail")) && text.contains("Photo of tree SIGNED-1, 2026-06-01")
    );
    assert!(text.contains("1 more photo cannot be shown here"), "{text}");
    assert!(
        !text.contains("gate code") && !text.contains("40.51") && !text.contains(&not_signed.to_string())
    );
    let whole = client.page(&format!("{link}/photos/{here}"));
    let small = client.page(&format!("{link}/photos/{here}/thumbnail"));
    for copy in [&whole, &small] {
        let found = seen(folder.path(), &copy.bytes);
        assert_eq!((&found["place"], &found["camera"]), (&serde_json::json!({}), &serde_json::json!({})));
        for secret in ["SECRET", "Invented", "2026:06:01"] {
            assert!(!holds(&copy.bytes, secret), "{secret}");
        }
        assert!(copy.header("content-security-policy").contains("default-src 'none'"));
    }
    let (before, after) = (seen(folder.path(), &bytes), seen(folder.path(), &whole.bytes));
    assert_eq!(after["top_and_bottom"], before["top_and_bottom"], "the picture itself is as it was");
    for path in ["", "/thumbnail"] {
        assert_eq!(client.get(&format!("{link}/photos/{not_signed}{path}")).status, 404);
    }
    let all = visible(&client.page(&format!("{link}/photos")));
    assert!(all.contains(&format!("{here}/thumbnail")) && !all.contains(&not_signed.to_string()));
    assert!(all.contains("1 more photo cannot be shown here") && !all.contains("No photo of"), "{all}");
    // Removed for good: nowhere served, the record still there, and said so.
    let state = || {
        bolebook_server::snapshot::now(&site.app).unwrap().job(world.job.id()).unwrap().view.state_digest()
    };
    let digest = state();
    assert!(remove::remove(&site.app, here).unwrap());
    for path in ["", "/thumbnail"] {
        let gone = client.get(&format!("{link}/photos/{here}{path}"));
        assert_eq!(gone.status, 410, "{}", gone.text);
    }
    assert!(visible(&client.page(&link)).contains("2 more photos cannot be shown here"));
    let page = desk.page(&format!("/jobs/{}/trees/{signed}", world.job.id()));
    assert!(
        page.text.contains("Its bytes were removed on") && page.text.contains("gate code"),
        "{}",
        page.text
    );
    assert_eq!(state(), digest, "the books do not notice");
}

/// The pictures of a report as Poppler takes them out of it.
fn pictures_in(folder: &Path, report: &[u8]) -> Vec<Vec<u8>> {
    let out = folder.join("pictures");
    let _ = std::fs::remove_dir_all(&out);
    std::fs::create_dir(&out).unwrap();
    let path = folder.join("report.pdf");
    std::fs::write(&path, report).unwrap();
    for (program, arguments) in [("qpdf", &["--check"][..]), ("pdfimages", &["-j"][..])] {
        let mut command = Command::new(program);
        command.args(arguments).arg(&path);
        if program == "pdfimages" {
            command.arg(out.join("p"));
        }
        let output =
            command.output().unwrap_or_else(|e| panic!("{program}: {e}: 'cargo xtask setup' installs it"));
        assert!(output.status.success(), "{program}: {}", String::from_utf8_lossy(&output.stderr));
    }
    let mut files: Vec<_> = std::fs::read_dir(&out).unwrap().map(|e| e.unwrap().path()).collect();
    files.sort();
    files.iter().map(|file| std::fs::read(file).unwrap()).collect()
}

/// pdfimages and pdftotext of Poppler, qpdf, Pillow.
#[test]
fn outside_the_report_holds_its_photos_without_place_or_camera_and_damaged_ones_do_not_stop_it() {
    let (folder, mut world) = (tempfile::tempdir().unwrap(), days());
    let (signed, open) = (tree(&world, "SIGNED-1"), tree(&world, "OPEN-2"));
    let bytes = picture(folder.path(), 6, "JPEG");
    let others = picture(folder.path(), 1, "PNG");
    // Cut off, no picture at all, a frame that claims 65,535 pixels each way, a page with a script.
    let mut bomb = picture(folder.path(), 1, "JPEG");
    let frame = bomb.windows(2).position(|w| w == [0xff, 0xc2] || w == [0xff, 0xc0]).unwrap();
    bomb[frame + 5..frame + 9].fill(0xff);
    let damaged: [&[u8]; 4] = [
        &bytes[..bytes.len() / 8],
        b"\xff\xd8\xff\xe0 no picture",
        &bomb,
        b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>",
    ];
    take(&mut world, 0, signed, &bytes, "image/jpeg");
    take(&mut world, 1, open, &others, "image/png");
    for bytes in damaged {
        take(&mut world, 0, signed, bytes, "image/jpeg");
    }
    take(&mut world, 0, signed, b"never came", "image/jpeg");
    let site = Site::new(&mut world, true);
    bring(&site, &bytes, "image/jpeg");
    bring(&site, &others, "image/png");
    for bytes in damaged {
        bring(&site, bytes, "image/jpeg");
    }
    let mut desk = site.browser();
    let path = format!("/jobs/{}/exports/report.pdf", world.job.id());
    let report = desk.page(&path).bytes;
    assert_eq!(report, desk.page(&path).bytes, "the same state and photos, the same bytes");
    let found = pictures_in(folder.path(), &report);
    let text = Command::new("pdftotext").arg(folder.path().join("report.pdf")).arg("-").output().unwrap();
    let text = String::from_utf8(text.stdout).unwrap();
    assert!(text.contains("Photo of tree SIGNED-1"), "{text}");
    assert_eq!(found.len(), 2, "of seven, two can be shown");
    assert!(text.contains("2 of 7"), "{text}");
    for copy in &found {
        let seen = seen(folder.path(), copy);
        assert_eq!(seen["format"], "JPEG");
        assert_eq!((&seen["place"], &seen["camera"]), (&serde_json::json!({}), &serde_json::json!({})));
        assert_eq!(seen["beside"], serde_json::json!([]));
    }
    assert_eq!(seen(folder.path(), &found[0])["size"], serde_json::json!([80, 120]), "upright");
    for secret in ["SECRET", "2026:06:01", CAPTION] {
        assert!(!holds(&report, secret), "{secret}");
    }
    // A client's report has those of signed days alone.
    sign_off(&mut desk, &world);
    let link = link(&mut desk, &world, "30");
    let given = Browser::new(&site.portal).page(&format!("{link}/report.pdf")).bytes;
    assert_eq!(pictures_in(folder.path(), &given).len(), 1);
    // What rotted on the disk after it was made.
    let kept = Folder::new(site.data.path().to_owned()).place(&Key::thumbnail(Sha256Hash::of(&bytes)));
    for rotten in [&found[0][..40], b"\xff\xd8\xff\xc0\x00\x11\x08\x00\x10\x00\x10", b""] {
        std::fs::write(&kept, rotten).unwrap();
        let report = desk.page(&path).bytes;
        assert_eq!(pictures_in(folder.path(), &report).len(), 1, "the other one is still shown");
    }
}
