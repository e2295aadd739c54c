//! Mutation that keeps to the structure: most of what it makes still passes as JSON, so that the
//! code behind the first check is reached.

use serde_json::{Map, Number, Value};

use crate::sim::dice::Dice;

const NUMBERS: [i64; 14] = [
    0,
    1,
    -1,
    2,
    499,
    500,
    501,
    1_000_000,
    i64::MAX,
    i64::MIN,
    9_007_199_254_740_991,
    9_007_199_254_740_992,
    -9_007_199_254_740_992,
    1 << 31,
];

const TEXTS: [&str; 10] = [
    "",
    "FRXAM",
    "preventive",
    "\u{0}",
    "\u{fe0f}\u{1f332}",
    "01a09056-d970-7009-8f88-36467eed71e8",
    "each_stem",
    "=1+1",
    "-9007199254740993",
    "combined",
];

/// Changes a value in one to four places.
pub fn value(dice: &mut Dice, of: &mut Value) {
    for _ in 0..=dice.below(4) {
        once(dice, of);
    }
}

/// Changes a value in one place.
pub fn once(dice: &mut Dice, of: &mut Value) {
    let nodes = count(of);
    let mut left = dice.below(nodes);
    at(of, &mut left, &mut |node| change(dice, node));
}

fn count(of: &Value) -> usize {
    1 + match of {
        Value::Array(items) => items.iter().map(count).sum(),
        Value::Object(fields) => fields.values().map(count).sum::<usize>(),
        _ => 0,
    }
}

/// Hands the value `left` places further on, in reading order, to `found`.
fn at(of: &mut Value, left: &mut usize, found: &mut dyn FnMut(&mut Value)) -> bool {
    if *left == 0 {
        found(of);
        return true;
    }
    *left -= 1;
    match of {
        Value::Array(items) => items.iter_mut().any(|item| at(item, left, found)),
        Value::Object(fields) => fields.values_mut().any(|item| at(item, left, found)),
        _ => false,
    }
}

fn change(dice: &mut Dice, node: &mut Value) {
    if dice.chance(30) {
        *node = Value::Null;
        return;
    }
    match node {
        Value::Null => *node = Value::from(dice.below(3)),
        Value::Bool(flag) => *flag = !*flag,
        Value::Number(number) => *number = other_number(dice, number),
        Value::String(text) => *text = other_text(dice, text),
        Value::Array(items) => change_items(dice, items),
        Value::Object(fields) => change_fields(dice, fields),
    }
}

fn other_number(dice: &mut Dice, number: &Number) -> Number {
    let before = number.as_i64().unwrap_or(0);
    Number::from(match dice.below(8) {
        0 => NUMBERS[dice.below(NUMBERS.len())],
        1 => before.saturating_add(1),
        2 => before.saturating_sub(1),
        3 => before.saturating_mul(10),
        4 => before / 10,
        5 => before.saturating_neg(),
        6 => dice.between(0, 10_000_000),
        _ => before.saturating_add(dice.between(-1_000, 1_000)),
    })
}

fn other_text(dice: &mut Dice, text: &str) -> String {
    match dice.below(4) {
        0 => TEXTS[dice.below(TEXTS.len())].to_owned(),
        1 => text.chars().rev().collect(),
        2 => text.repeat(dice.below(4)),
        _ => {
            // Another digit or letter in one place: an id or key that is nearly right.
            let place = dice.below(text.chars().count());
            let letter = char::from(b"0123456789abcdef"[dice.below(16)]);
            text.chars().enumerate().map(|(i, c)| if i == place { letter } else { c }).collect()
        }
    }
}

fn change_items(dice: &mut Dice, items: &mut Vec<Value>) {
    let place = dice.below(items.len());
    match dice.below(4) {
        0 if !items.is_empty() => drop(items.remove(place)),
        1 if !items.is_empty() => items.swap(0, place),
        2 => items.truncate(place),
        _ => {
            let more = items.get(place).cloned().unwrap_or(Value::from(1));
            items.extend(std::iter::repeat_n(more, 1 + dice.below(3)));
        }
    }
}

fn change_fields(dice: &mut Dice, fields: &mut Map<String, Value>) {
    let place = dice.below(fields.len());
    let Some(name) = fields.keys().nth(place).cloned() else { return };
    match dice.below(6) {
        0 => drop(fields.remove(&name)),
        1 => drop(fields.insert("unheard_of".into(), Value::from(1))),
        _ => {
            // A value of another field: right in form, wrong in place.
            let other = fields.values().nth(dice.below(fields.len())).cloned().unwrap_or(Value::Null);
            fields.insert(name, other);
        }
    }
}

/// Breaks bytes: a splice, a flip, a cut.
pub fn bytes(dice: &mut Dice, of: &mut Vec<u8>) {
    let place = dice.below(of.len());
    match dice.below(4) {
        0 => of.truncate(place),
        1 => {
            if let Some(byte) = of.get_mut(place) {
                *byte ^= 1 << dice.below(8);
            }
        }
        2 => {
            let end = (place + dice.below(12)).min(of.len());
            let noise: [u8; 4] = dice.bytes();
            of.splice(place..end, noise);
        }
        _ => {
            let end = (place + dice.below(60)).min(of.len());
            let again = of[place..end].to_vec();
            of.splice(place..place, again);
        }
    }
}
