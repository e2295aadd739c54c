//! How two tags compare.

use std::collections::BTreeMap;

/// How two tags compare. The order is that of [`Tags::level`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tags {
    /// The same, but for case.
    Equal,
    /// One slip apart: a character more, less or other, or two neighbours swapped (the slips counted
    /// by F. J. Damerau, Commun. ACM 7 (1964) 171–176), with enough left alike: of short tags any two
    /// are a slip apart.
    OneSlip,
    /// Equal but for their last numbers, which are at most `NEAR` apart: as tags of neighbours are, one
    /// slip apart or not.
    Successive,
    /// Equal but for numbers further apart.
    OneScheme,
    /// Different schemes: another roll of tags, or a name.
    Different,
    /// One of them is empty.
    Unknown,
}

impl Tags {
    /// Place in the model's lists; none when it says nothing.
    pub fn level(self) -> Option<usize> {
        match self {
            Self::Equal => Some(0),
            Self::OneSlip => Some(1),
            Self::Successive => Some(2),
            Self::OneScheme => Some(3),
            Self::Different => Some(4),
            Self::Unknown => None,
        }
    }
}

/// So many letters and digits must a slip leave alike (common practice, no source): `A-1` and `B-1` are
/// the first trees of two rolls of tags.
const LEFT_ALIKE: usize = 2;

/// Numbers this near each other are a crew's next trees on its walk.
const NEAR: u64 = 3;

/// A tag with what is read off it once, to be held against many.
#[derive(Clone, Copy, Debug)]
pub struct Read<'a> {
    tag: &'a str,
    /// What comes before the number that ends it, and that number.
    last: Option<(&'a str, u64)>,
    /// Its scheme, by number among those of the tags it was read with.
    scheme: usize,
}

impl<'a> Read<'a> {
    /// Reads tags that are to be compared with each other.
    pub fn all(tags: impl IntoIterator<Item = &'a str>) -> Vec<Self> {
        let mut schemes: BTreeMap<String, usize> = BTreeMap::new();
        let mut spelled = String::new();
        let read = |tag| {
            spelled.clear();
            spelled.extend(scheme(tag));
            // A job has few schemes: one that is known is not written down again.
            let known = schemes.get(&spelled).copied();
            let scheme = known.unwrap_or_else(|| {
                schemes.insert(spelled.clone(), schemes.len());
                schemes.len() - 1
            });
            Self { tag, last: last_number(tag), scheme }
        };
        tags.into_iter().map(read).collect()
    }

    /// How it compares with another of those it was read with, in time linear in their length.
    pub fn against(&self, other: &Self) -> Tags {
        let (a, b) = (self.tag, other.tag);
        if a.is_empty() || b.is_empty() {
            return Tags::Unknown;
        }
        if a.eq_ignore_ascii_case(b) {
            return Tags::Equal;
        }
        if self.successive(other) {
            return Tags::Successive;
        }
        let slip = if a.is_ascii() && b.is_ascii() {
            one_slip(a.as_bytes(), b.as_bytes(), u8::eq_ignore_ascii_case)
        } else {
            let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
            one_slip(&a, &b, char::eq_ignore_ascii_case)
        };
        let signs = |tag: &str| tag.chars().filter(|c| c.is_alphanumeric()).count();
        if slip && signs(a).min(signs(b)) > LEFT_ALIKE {
            Tags::OneSlip
        } else if self.scheme == other.scheme {
            Tags::OneScheme
        } else {
            Tags::Different
        }
    }

    fn successive(&self, other: &Self) -> bool {
        let (Some((x, n)), Some((y, m))) = (self.last, other.last) else { return false };
        n.abs_diff(m) <= NEAR && x.eq_ignore_ascii_case(y)
    }
}

/// What comes before the number that ends a tag, and the number.
fn last_number(tag: &str) -> Option<(&str, u64)> {
    let before = tag.trim_end_matches(|c: char| c.is_ascii_digit());
    let number = tag.get(before.len()..)?;
    Some((before, number.parse().ok()?))
}

/// A tag with each run of digits as one `9`.
fn scheme(tag: &str) -> impl Iterator<Item = char> + '_ {
    let mut in_number = false;
    tag.chars().filter_map(move |c| {
        let again = in_number && c.is_ascii_digit();
        in_number = c.is_ascii_digit();
        match (again, in_number) {
            (true, _) => None,
            (false, true) => Some('9'),
            (false, false) => Some(c.to_ascii_uppercase()),
        }
    })
}

fn one_slip<T>(a: &[T], b: &[T], same: impl Fn(&T, &T) -> bool) -> bool {
    let (short, long) = if a.len() <= b.len() { (a, b) } else { (b, a) };
    let start = short.iter().zip(long).take_while(|(x, y)| same(x, y)).count();
    let (short, long) = (&short[start..], &long[start..]);
    let alike = |x: &[T], y: &[T]| x.len() == y.len() && x.iter().zip(y).all(|(p, q)| same(p, q));
    match (short, long) {
        (_, [_, rest @ ..]) if long.len() == short.len() + 1 => alike(short, rest),
        ([a, x @ ..], [b, y @ ..]) if short.len() == long.len() => {
            let swapped = match (x, y) {
                ([c, x @ ..], [d, y @ ..]) => same(a, d) && same(b, c) && alike(x, y),
                _ => false,
            };
            alike(x, y) || swapped
        }
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tags(a: &str, b: &str) -> Tags {
        let read = Read::all([a, b]);
        read[0].against(&read[1])
    }

    #[test]
    fn each_kind_of_slip_is_one_slip_and_two_are_not() {
        for other in ["L-128", "L-13", "L-1233", "L-213", "L-132", "M-123", "-123", "L-1234", "l-193"] {
            assert_eq!(tags("L-123", other), Tags::OneSlip, "{other}");
            assert_eq!(tags(other, "L-123"), Tags::OneSlip, "{other}");
        }
        for other in ["L-124", "l-122", "L-120", "L-0123"] {
            assert_eq!(tags("L-123", other), Tags::Successive, "{other}");
        }
        assert_eq!(tags("L-99999999999999999999999", "L-9999999999999999999999"), Tags::OneSlip);
        assert_eq!(tags("L-123", "L-231"), Tags::OneScheme);
        assert_eq!(tags("L-123", "L-145"), Tags::OneScheme);
        assert_eq!(tags("L-123", "L-1"), Tags::OneScheme);
        assert_eq!(tags("L-123", "C2-123"), Tags::Different);
        assert_eq!(tags("L-123", "l-123"), Tags::Equal);
        // Nothing is known of a slip where hardly a sign is left.
        assert_eq!(tags("A-1", "B-1"), Tags::Different);
        assert_eq!(tags("A-1", "A-7"), Tags::OneScheme);
        assert_eq!(tags("A-12", "A-72"), Tags::OneSlip);
        assert_eq!(tags("", "L-123"), Tags::Unknown);
        assert_eq!(tags("Ölberg 17", "Ölberg 77"), Tags::OneSlip);
        assert_eq!(tags("Ölberg 17", "Ölberg 200"), Tags::OneScheme);
    }
}
