//! Neighbouring nozzles of a boom, some of them left out: eight bytes, since many plants wait
//! with theirs.

use core::ops::Range;

/// A run of neighbours, of which some of the first 32 stay closed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct NozzleSet {
    /// A boom has at most 256 nozzles.
    first: u16,
    count: u16,
    /// Bit `k` set: nozzle `first + k` stays closed. Beyond bit 31 none does.
    closed: u32,
}

impl NozzleSet {
    /// The nozzles of `range`, less those whose bit is set in `closed`, the first one's lowest.
    pub(crate) fn new(range: Range<usize>, closed: u32) -> Self {
        let count = range.end.saturating_sub(range.start);
        Self {
            first: u16::try_from(range.start).unwrap_or(u16::MAX),
            count: u16::try_from(count).unwrap_or_default(),
            closed,
        }
    }

    /// The nozzles from `first` on whose bits are set in `open`.
    pub(crate) fn of_bits(first: usize, open: u32) -> Self {
        if open == 0 {
            return Self::new(first..first, 0);
        }
        let skipped = open.trailing_zeros();
        let open = open.checked_shr(skipped).unwrap_or_default();
        let width = 32_u32.saturating_sub(open.leading_zeros());
        let all = u32::MAX
            .checked_shr(32_u32.saturating_sub(width))
            .unwrap_or_default();
        let at = first.saturating_add(usize::try_from(skipped).unwrap_or_default());
        let end = at.saturating_add(usize::try_from(width).unwrap_or_default());
        Self::new(at..end, all & !open)
    }

    /// From the first nozzle to the last, those between that stay closed included. Empty when no
    /// healthy nozzle reaches the stretch.
    #[must_use]
    pub fn range(&self) -> Range<usize> {
        let first = usize::from(self.first);
        first..first.saturating_add(usize::from(self.count))
    }

    /// True when it has no nozzle.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// Whether a nozzle of the boom is one of the set.
    #[must_use]
    pub fn opens(&self, nozzle: usize) -> bool {
        nozzle
            .checked_sub(usize::from(self.first))
            .is_some_and(|offset| offset < usize::from(self.count) && !self.is_closed(offset))
    }

    fn is_closed(&self, offset: usize) -> bool {
        let bit = u32::try_from(offset).unwrap_or(u32::MAX);
        self.closed.checked_shr(bit).unwrap_or_default() & 1 != 0
    }

    /// How many nozzles are opened.
    #[must_use]
    pub fn count(&self) -> usize {
        let closed = usize::try_from(self.closed.count_ones()).unwrap_or_default();
        usize::from(self.count).saturating_sub(closed)
    }

    /// One nozzle less. A set too wide for its bits is emptied instead.
    pub(crate) fn leave_out(&mut self, nozzle: usize) {
        if !self.range().contains(&nozzle) {
            return;
        }
        let offset = nozzle.saturating_sub(usize::from(self.first));
        match 1_u32.checked_shl(u32::try_from(offset).unwrap_or(u32::MAX)) {
            Some(bit) => self.closed |= bit,
            None => self.count = 0,
        }
    }
}
