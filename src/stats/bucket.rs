//! Indices in the order of small whole-number keys, by counting instead of comparing.
//!
//! Cost.        O(items + buckets). Items with one key keep their order.

/// Item indices, one bucket after the other.
pub struct Buckets {
    starts: Vec<usize>,
    order: Vec<u32>,
}

impl Buckets {
    /// Puts the items 0, 1, 2, … into `count` buckets by their keys, which lie below `count`.
    pub fn fill(keys: impl Iterator<Item = u32> + Clone, count: usize) -> Self {
        let mut starts = vec![0; count + 1];
        for key in keys.clone() {
            starts[key as usize + 1] += 1;
        }
        for bucket in 0..count {
            starts[bucket + 1] += starts[bucket];
        }
        let mut order = vec![0; starts[count]];
        let mut next = starts.clone();
        for (item, key) in (0..).zip(keys) {
            let place = &mut next[key as usize];
            order[*place] = item;
            *place += 1;
        }
        Self { starts, order }
    }

    /// The items of one bucket.
    pub fn items(&self, bucket: usize) -> impl Iterator<Item = usize> + '_ {
        self.order[self.starts[bucket]..self.starts[bucket + 1]].iter().map(|&item| item as usize)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn items_come_out_by_key_in_their_order() {
        let buckets = Buckets::fill([2, 0, 2, 1, 0].into_iter(), 4);
        let all: Vec<Vec<usize>> = (0..4).map(|bucket| buckets.items(bucket).collect()).collect();
        assert_eq!(all, [vec![1, 4], vec![3], vec![0, 2], vec![]]);
    }
}
