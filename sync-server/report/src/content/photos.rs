//! Photos of the trees: small copies without what the camera wrote beside them.

use std::collections::BTreeMap;

use bolebook_core::record::Body;
use krilla::image::Image;

use super::{MOST_PHOTOS, Writer};
use crate::clean;
use crate::layout::{BODY, MARGIN, Node, Op, Role, SMALL};

const ACROSS: usize = 3;
const GAP: f32 = 10.0;
const TALL: f32 = 150.0;

/// A JPEG that the document can hold, with its width and height in pixels. One that is damaged is no reason
/// to have no report.
fn readable(bytes: Vec<u8>) -> Option<(Image, f32, f32)> {
    let image = Image::from_jpeg(bytes.into(), true).ok()?;
    let (wide, tall) = image.size();
    (wide > 0 && tall > 0).then_some((image, wide as f32, tall as f32))
}

/// The section.
pub fn section(w: &mut Writer<'_, '_, '_>) {
    let view = w.asked.view;
    let mut all = BTreeMap::new();
    for (id, tree) in &view.trees {
        for fact in tree.photos.iter().map(|i| view.fact(*i)) {
            for version in view.facts.current(fact).filter(|v| (w.asked.takes)(fact, v)) {
                if let Body::Photo(photo) = &version.record.body {
                    all.insert((photo.taken_at, version.id()), (photo, *id, view.crew_day(version)));
                }
            }
        }
    }
    if all.is_empty() {
        return;
    }
    w.section("photos");
    let Some(photos) = w.asked.photos else {
        let text = w.with("report-photos-elsewhere", &[("count", all.len().to_string())]);
        w.flow.paragraph(&text, BODY);
        return;
    };
    w.flow.paragraph(&w.say("photos-text"), SMALL);
    let (mut shown, mut row) = (0, vec![]);
    for (photo, tree, day) in all.values() {
        if shown + row.len() == MOST_PHOTOS {
            break;
        }
        let Some(bytes) = photos(photo.sha256, &photo.media_type) else { continue };
        let Some((image, wide, tall)) = readable(bytes) else { continue };
        let day = day.map(|d| d.day.to_string()).unwrap_or_default();
        let values = [("tree", clean(&view.tag(*tree))), ("day", day)];
        row.push((image, wide, tall, w.with("photo-of", &values)));
        if row.len() == ACROSS {
            shown += row.len();
            draw(w, std::mem::take(&mut row));
        }
    }
    shown += row.len();
    draw(w, row);
    if shown < all.len() {
        let values = [("shown", shown.to_string()), ("all", all.len().to_string())];
        let text = w.with("report-photos-cut", &values);
        w.flow.paragraph(&text, BODY);
    }
}

fn draw(w: &mut Writer<'_, '_, '_>, row: Vec<(Image, f32, f32, String)>) {
    if row.is_empty() {
        return;
    }
    let width = (w.flow.width() - GAP * (ACROSS - 1) as f32) / ACROSS as f32;
    w.flow.room(TALL + 26.0);
    let top = w.flow.y;
    for (at, (image, wide, tall, words)) in row.into_iter().enumerate() {
        let left = MARGIN + at as f32 * (width + GAP);
        let scale = (width / wide).min(TALL / tall);
        let index = w.flow.pictures.len();
        w.flow.pictures.push(image);
        let place = (left, top, wide * scale, tall * scale);
        let leaf = w.flow.mark(vec![Op::Picture { index, place }]);
        w.flow.nodes.push(Node::Part(Role::Figure(words.clone()), vec![leaf]));
        w.flow.y = top + TALL + 2.0;
        let leaves = w.flow.text(&words, SMALL, left, width);
        w.flow.nodes.push(Node::Part(Role::Paragraph, leaves));
    }
    w.flow.y = top + TALL + 26.0;
}
