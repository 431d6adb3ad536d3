//! In which order setups are mounted where hands are not always there: what leaves time for another while somebody is, and what takes
//! longest for the night last; and what an hour now costs then.

use super::walk::Clock;
use std::collections::BTreeSet;

/// A setup that is still to be mounted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Due {
    pub setup: u32,
    /// Hours of mounting it, of what is measured then in any case, and of the way back, without waiting.
    pub hours: f64,
}

/// How many setups are tried to be kept for nights.
const KEPT: [usize; 9] = [0, 1, 2, 3, 4, 6, 8, 12, 20];
/// By how much what is due may take longer, as a share of it: nobody wants to find out on a Friday evening.
const RESERVE: f64 = 0.1;
/// Hours within which two moments are the same.
const SAME_H: f64 = 1e-6;

/// Setups that are still to be mounted, and where hands are.
pub(super) struct Mountings<'c> {
    due: Vec<Due>,
    clock: &'c dyn Clock,
    kept: BTreeSet<u32>,
    /// In which order they are mounted.
    pub order: Vec<u32>,
}

impl<'c> Mountings<'c> {
    /// `due`: in the order in which they are mounted where hands are always there. Of orders that end together the first.
    pub fn new(due: Vec<Due>, clock: &'c dyn Clock) -> Mountings<'c> {
        let order = due.iter().map(|one| one.setup).collect();
        let mut mountings = Mountings { due, clock, kept: BTreeSet::new(), order };
        if mountings.is_always() {
            return mountings;
        }
        let mut longest = mountings.due.clone();
        longest.sort_by(|a, b| b.hours.total_cmp(&a.hours).then(a.setup.cmp(&b.setup)));
        let mut best = f64::INFINITY;
        for count in KEPT.into_iter().filter(|count| *count <= longest.len()) {
            let kept: BTreeSet<u32> = longest[..count].iter().map(|one| one.setup).collect();
            let (order, end) = mountings.in_days(&kept, 0.0);
            if end < best - SAME_H {
                best = end;
                (mountings.kept, mountings.order) = (kept, order);
            }
        }
        mountings
    }

    /// Are hands there until everything is done?
    fn is_always(&self) -> bool {
        self.due.is_empty() || self.clock.hands(0.0).1.is_infinite()
    }

    /// Hours by which the last setup is done later if the bench goes on so many hours from now, or if it does and everything takes
    /// longer than it should, whichever is more.
    pub fn cost(&self, after_h: f64) -> f64 {
        if self.is_always() {
            return after_h;
        }
        let end = |after_h| self.in_days(&self.kept, after_h).1;
        let reserve = RESERVE * self.due.iter().map(|one| one.hours).sum::<f64>();
        let now = end(0.0);
        (end(after_h) - now).max(end(after_h + reserve) - now - reserve)
    }

    /// Day by day, where `kept` wait for nights: the order, and hours from now to its end.
    fn in_days(&self, kept: &BTreeSet<u32>, after_h: f64) -> (Vec<u32>, f64) {
        let mut left = self.due.clone();
        let (mut order, mut now) = (Vec::with_capacity(left.len()), after_h);
        while !left.is_empty() {
            let (from, last) = self.clock.hands(now);
            let only_kept = left.iter().all(|one| kept.contains(&one.setup));
            let by_day =
                |one: &Due| (only_kept || !kept.contains(&one.setup)) && from + one.hours <= last + SAME_H;
            let place = left.iter().position(by_day).unwrap_or_else(|| {
                // What the night takes off the days, less what it leaves to the next one.
                let again = self.clock.hands(last.max(from) + SAME_H).0;
                let gain = |one: &Due| one.hours - (from + one.hours - again).max(0.0);
                let gains = left.iter().map(gain).enumerate();
                gains.max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0))).map_or(0, |best| best.0)
            });
            let next = left.remove(place);
            order.push(next.setup);
            now = from + next.hours;
        }
        (order, now)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A bench on which nothing but the hours of hands matters.
    struct Hands(fn(f64) -> (f64, f64));

    impl Clock for Hands {
        fn hours(&self, _: &[u32]) -> f64 {
            0.0
        }
        fn spent(&self) -> f64 {
            0.0
        }
        fn full(&self) -> f64 {
            0.0
        }
        fn hands(&self, after_h: f64) -> (f64, f64) {
            (self.0)(after_h)
        }
    }

    /// Hands from 0 to 8 of every 24 hours, the last half an hour before their end.
    fn days(after_h: f64) -> (f64, f64) {
        let day = 24.0 * (after_h / 24.0).floor();
        let day = if after_h > day + 7.5 { day + 24.0 } else { day };
        (after_h.max(day), day + 7.5)
    }

    fn due(hours: &[f64]) -> Vec<Due> {
        (0..).zip(hours).map(|(setup, hours)| Due { setup, hours: *hours }).collect()
    }

    #[test]
    fn long_setups_wait_for_nights_and_short_ones_fill_the_day() {
        // In the given order the third long one is begun on the second day, the last short one on the third.
        let hands = Hands(days);
        let found = Mountings::new(due(&[4.0, 4.0, 4.0, 4.0, 1.0, 1.0, 1.0]), &hands);
        assert_eq!(found.order, [0, 4, 5, 6, 1, 2, 3]);
        // An hour more comes out of what is left of the second day; a tenth of all 19 hours more leaves all short ones to it.
        assert!((found.cost(1.0) - 1.1).abs() < 1e-9, "{}", found.cost(1.0));
        // Too late for a night's setup on the second day.
        assert!(found.cost(6.0) > 12.0, "{}", found.cost(6.0));
    }

    #[test]
    fn the_given_order_stays_where_hands_are_always_there() {
        let hands = Hands(|after_h| (after_h, f64::INFINITY));
        let found = Mountings::new(due(&[3.0, 2.0, 9.0]), &hands);
        assert_eq!(found.order, [0, 1, 2]);
        assert_eq!(found.cost(1.5), 1.5);
        let hands = Hands(days);
        let none = Mountings::new(Vec::new(), &hands);
        assert_eq!((none.order.len(), none.cost(9.0)), (0, 9.0));
    }

    /// What is done while nobody is there costs nothing, as long as it is done before the morning.
    #[test]
    fn a_night_is_free() {
        let evening = |after_h: f64| {
            let (from, last) = days(after_h + 9.0);
            (from - 9.0, last - 9.0)
        };
        let hands = Hands(evening);
        let found = Mountings::new(due(&[1.0, 1.0]), &hands);
        assert_eq!(found.cost(14.0), 0.0);
        assert!((found.cost(16.0) - 1.0).abs() < 1e-9, "{}", found.cost(16.0));
    }
}
