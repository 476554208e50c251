//! Wheel pulses from the interrupt to the main loop.
//!
//! The interrupt stamps and pushes, the main loop takes and polls the controller up to each
//! stamp. Make one `static` and use it from both sides. One producer, one consumer.
//!
//! **Longest critical section:** one push or one pop of a stamp, some forty instructions, no
//! loop. It delays other interrupts by that and no more.
//!
//! **Overflow:** when the main loop has not come for `N` pulses the newest is left out and
//! counted: the distance is then short by one pulse each, so treat any as a fault. At 8 m/s
//! and 130 pulses a metre 64 places last 61 ms.

use super::bump;
use crate::units::Micros;
use core::cell::RefCell;
use critical_section::Mutex;
use heapless::Deque;

/// Stamps on their way. `N` of them at most.
#[derive(Debug)]
pub struct PulseCapture<const N: usize> {
    shared: Mutex<RefCell<Shared<N>>>,
}

#[derive(Debug)]
struct Shared<const N: usize> {
    stamps: Deque<Micros, N>,
    lost: u32,
}

impl<const N: usize> Default for PulseCapture<N> {
    fn default() -> Self {
        Self::new()
    }
}

impl<const N: usize> PulseCapture<N> {
    /// Empty; fit for a `static`.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            shared: Mutex::new(RefCell::new(Shared {
                stamps: Deque::new(),
                lost: 0,
            })),
        }
    }

    fn with<R>(&self, act: impl FnOnce(&mut Shared<N>) -> R) -> Option<R> {
        critical_section::with(|section| {
            // Never taken twice: nothing in here calls back.
            let mut shared = self.shared.borrow(section).try_borrow_mut().ok()?;
            Some(act(&mut shared))
        })
    }

    /// From the interrupt: a pulse, by its stamp.
    pub fn push(&self, at: Micros) {
        self.with(|shared| {
            if shared.stamps.push_back(at).is_err() {
                bump(&mut shared.lost);
            }
        })
        .unwrap_or_default();
    }

    /// From the main loop: the oldest stamp, if any.
    pub fn pop(&self) -> Option<Micros> {
        self.with(|shared| shared.stamps.pop_front()).flatten()
    }

    /// Stamps left out for want of room.
    pub fn lost(&self) -> u32 {
        self.with(|shared| shared.lost).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use super::*;

    #[test]
    fn stamps_cross_in_order_and_what_does_not_fit_is_counted() {
        static CAPTURE: PulseCapture<64> = PulseCapture::new();
        let sender = std::thread::spawn(|| {
            for k in 0..10_000 {
                CAPTURE.push(Micros(k));
            }
        });
        let (mut taken, mut last) = (0, None);
        while !sender.is_finished() || taken + CAPTURE.lost() < 10_000 {
            while let Some(at) = CAPTURE.pop() {
                assert!(last < Some(at));
                last = Some(at);
                taken += 1;
            }
        }
        sender.join().expect("no panic");
        assert_eq!(taken + CAPTURE.lost(), 10_000);
        let small: PulseCapture<2> = PulseCapture::new();
        (0..5).for_each(|k| small.push(Micros(k)));
        assert_eq!((small.lost(), small.pop()), (3, Some(Micros(0))));
    }
}
