//! Items put in the order of small whole-number keys, by counting instead of comparing.
//!
//! Cost.        O(items + buckets). Items with one key keep their order.

/// Items, one bucket after the other.
#[derive(Clone, Debug)]
pub struct Buckets<T> {
    starts: Vec<usize>,
    items: Vec<T>,
}

impl<T: Copy + Default> Buckets<T> {
    /// Puts items into `count` buckets by their keys, which lie below `count`.
    pub fn fill(keyed: impl Iterator<Item = (u32, T)> + Clone, count: usize) -> Self {
        let mut starts = vec![0; count + 1];
        for (key, _) in keyed.clone() {
            starts[key as usize + 1] += 1;
        }
        for bucket in 0..count {
            starts[bucket + 1] += starts[bucket];
        }
        let mut items = vec![T::default(); starts[count]];
        let mut next = starts.clone();
        for (key, item) in keyed {
            let place = &mut next[key as usize];
            items[*place] = item;
            *place += 1;
        }
        Self { starts, items }
    }

    /// Where each bucket begins, and the end of the last.
    pub fn starts(&self) -> &[usize] {
        &self.starts
    }

    /// The items of all buckets, one bucket after the other.
    pub fn into_items(self) -> Vec<T> {
        self.items
    }

    /// The items of one bucket.
    pub fn items(&self, bucket: usize) -> &[T] {
        &self.items[self.starts[bucket]..self.starts[bucket + 1]]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn items_come_out_by_key_in_their_order() {
        let buckets = Buckets::fill([(2, 'a'), (0, 'b'), (2, 'c'), (1, 'd'), (0, 'e')].into_iter(), 4);
        let all: Vec<&[char]> = (0..4).map(|bucket| buckets.items(bucket)).collect();
        assert_eq!(all, [&['b', 'e'][..], &['d'], &['a', 'c'], &[]]);
    }
}
