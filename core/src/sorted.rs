//! Ascending lists that are brought up to a change: a long one is moved from the first place on that
//! changes, and never sorted again.

/// Takes items out of an ascending list, each as often as it is given, and puts others in.
pub(crate) fn replace<T: Ord + Copy>(list: &mut Vec<T>, mut out: Vec<T>, mut new: Vec<T>) {
    out.sort_unstable();
    new.sort_unstable();
    let Some(first) = out.first().into_iter().chain(new.first()).min() else { return };
    let rest = list.split_off(list.partition_point(|one| one < first));
    list.reserve(rest.len() + new.len());
    let (mut out, mut new) = (out.into_iter().peekable(), new.into_iter().peekable());
    for one in rest {
        while let Some(new) = new.next_if(|new| *new <= one) {
            list.push(new);
        }
        while out.next_if(|gone| *gone < one).is_some() {}
        if out.next_if_eq(&one).is_none() {
            list.push(one);
        }
    }
    list.extend(new);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_that_is_brought_up_is_the_list_sorted_anew() {
        let mut state = 1u64;
        let mut next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) as i64
        };
        let mut list: Vec<i64> = vec![];
        for _ in 0..200 {
            // Few different values, so that many are equal, and some out that are not there.
            let new: Vec<i64> = (0..next() % 6).map(|_| next() % 20).collect();
            let out: Vec<i64> = (0..next() % 5).map(|_| next() % 22).collect();
            let mut plain = list.clone();
            for gone in &out {
                if let Some(at) = plain.iter().position(|one| one == gone) {
                    plain.remove(at);
                }
            }
            plain.extend(&new);
            plain.sort_unstable();
            replace(&mut list, out, new);
            assert_eq!(list, plain);
        }
        assert!(list.len() > 50);
    }
}
