//! Counts the instructions and the stack of single calls, and keeps the largest.
//!
//! QEMU with `-icount shift=6` takes 64 ns for every instruction. SysTick runs at 25 MHz on the
//! emulated boards, so one instruction is 1.6 of its ticks, and single ones can be told apart.

use crate::host::say;
use core::arch::asm;
use core::ptr::{read_volatile, write_volatile};
use core::sync::atomic::{Ordering, compiler_fence};

/// What is measured. The names stand in the table.
#[derive(Clone, Copy, PartialEq, Eq)]
#[cfg_attr(
    feature = "turning",
    expect(dead_code, reason = "some rows are of the straight machine alone")
)]
pub enum Row {
    PollIdle,
    PollWaking,
    PollInput,
    PollPlan,
    PollComposed,
    PollStop,
    WholePlan,
    WholeComposed,
    WholeStop,
    Pulse,
    WholePulse,
    WholeAims,
    WholeAimsWide,
    ImageBegin,
    ImageStep,
    ImageStepFan,
    WholeImageOne,
    WholeImageOneFan,
    WholeImage64,
    WholeImage64Fan,
    WholeImageWide,
    WholeImageComposed,
    #[cfg(feature = "turning")]
    Yaw,
    #[cfg(feature = "turning")]
    WholeYaw,
    #[cfg(feature = "turning")]
    Second,
    #[cfg(feature = "turning")]
    WholeSecond,
    Stop,
    Mode,
    WholeMode,
    Switches,
    KeepOff,
    WholeKeepOff,
    Direction,
    WholeDirection,
    Fault,
    Acknowledge,
    Bench,
    SetUp,
    FrameByte,
    FrameRead,
    FrameWrite,
}

/// All of them, in the order of the enum.
pub const NAMES: &[&str] = &[
    "poll_idle",
    "poll_waking",
    "poll_input",
    "poll_plan",
    "poll_composed",
    "poll_stop",
    "whole_plan",
    "whole_composed",
    "whole_stop",
    "pulse",
    "whole_pulse",
    "whole_aims",
    "whole_aims_wide",
    "image_begin",
    "image_step",
    "image_step_fan",
    "whole_image_one",
    "whole_image_one_fan",
    "whole_image_64",
    "whole_image_64_fan",
    "whole_image_wide",
    "whole_image_composed",
    #[cfg(feature = "turning")]
    "yaw",
    #[cfg(feature = "turning")]
    "whole_yaw",
    #[cfg(feature = "turning")]
    "second",
    #[cfg(feature = "turning")]
    "whole_second",
    "stop",
    "mode",
    "whole_mode",
    "switches",
    "keep_off",
    "whole_keep_off",
    "direction",
    "whole_direction",
    "fault",
    "acknowledge",
    "bench",
    "set_up",
    "frame_byte",
    "frame_read",
    "frame_write",
];

const CONTROL: *mut u32 = 0xE000_E010 as *mut u32;
const RELOAD: *mut u32 = 0xE000_E014 as *mut u32;
const CURRENT: *mut u32 = 0xE000_E018 as *mut u32;
const TOP: u32 = 0x00FF_FFFF;

/// Words below the caller's stack that are painted, and what with.
const PAINTED: usize = 3072;
const PAINT: u32 = 0xA5C3_96E1;

#[derive(Clone, Copy, Default)]
struct Most {
    /// By cases made by hand, and by random ones.
    instructions: [u32; 2],
    stack: u32,
    calls: u32,
}

/// The largest of each row so far.
pub struct Meter {
    rows: [Most; NAMES.len()],
    overhead: u32,
    /// Random loads are being driven.
    pub random: bool,
    /// Instructions of the last call.
    pub last: u32,
}

impl Meter {
    pub fn new() -> Self {
        // SAFETY: SysTick's registers, which nothing else in the image uses.
        unsafe {
            write_volatile(RELOAD, TOP);
            write_volatile(CURRENT, 0);
            // Counts the processor's clock, no interrupt.
            write_volatile(CONTROL, 0b101);
        }
        let mut meter = Self {
            rows: [Most::default(); NAMES.len()],
            overhead: 0,
            random: false,
            last: 0,
        };
        let nothing: fn() = core::hint::black_box(empty);
        let (count, ()) = meter.count(nothing);
        meter.overhead = count;
        meter
    }

    fn now() -> u32 {
        compiler_fence(Ordering::SeqCst);
        // SAFETY: as above; reading has no effect.
        let now = unsafe { read_volatile(CURRENT) };
        compiler_fence(Ordering::SeqCst);
        now
    }

    #[inline(always)]
    fn count<R>(&self, call: impl FnOnce() -> R) -> (u32, R) {
        let before = Self::now();
        let result = call();
        let after = Self::now();
        let ticks = before.wrapping_sub(after) & TOP;
        // 40 ns a tick, 64 ns an instruction.
        ((ticks * 5 / 8).saturating_sub(self.overhead), result)
    }

    /// Measures one call. Its stack is looked at in the first calls of a row, and now and
    /// then: painting takes longer than most calls.
    #[inline(always)]
    pub fn measure<R>(&mut self, row: Row, call: impl FnOnce() -> R) -> R {
        let calls = self.rows[row as usize].calls;
        let paints = calls < 64 || calls.is_multiple_of(61);
        if paints {
            paint();
        }
        let (count, result) = self.count(call);
        let stack = if paints { depth() } else { 0 };
        self.note(row, count, stack);
        result
    }

    /// As [`measure`](Self::measure), for what only the result tells the row of.
    #[inline(always)]
    pub fn measure_by<R>(
        &mut self,
        paints: bool,
        call: impl FnOnce() -> R,
        row: impl FnOnce(&R) -> Row,
    ) -> R {
        if paints {
            paint();
        }
        let (count, result) = self.count(call);
        let stack = if paints { depth() } else { 0 };
        self.note(row(&result), count, stack);
        result
    }

    /// Notes what several calls took together.
    pub fn note_whole(&mut self, row: Row, count: u32) {
        self.note(row, count, 0);
    }

    #[inline(never)]
    fn note(&mut self, row: Row, count: u32, stack: u32) {
        self.last = count;
        let most = &mut self.rows[row as usize];
        most.calls += 1;
        most.stack = most.stack.max(stack);
        let most = &mut most.instructions[usize::from(self.random)];
        *most = (*most).max(count);
    }

    /// Prints the rows that were measured: nozzles, name, instructions by hand and random, stack,
    /// calls.
    pub fn print(&self, nozzles: usize) {
        for (name, most) in NAMES.iter().zip(&self.rows) {
            if most.calls == 0 {
                continue;
            }
            let [hand, random] = most.instructions;
            say(format_args!(
                "row {nozzles} {name} {hand} {random} {} {}",
                most.stack, most.calls
            ));
        }
    }
}

#[inline(never)]
fn empty() {}

#[inline(always)]
fn stack_pointer() -> usize {
    let sp: usize;
    // SAFETY: reads a register.
    unsafe { asm!("mov {}, sp", out(reg) sp, options(nomem, nostack, preserves_flags)) };
    sp
}

#[inline(always)]
fn paint() {
    let top = stack_pointer() / 4;
    for word in top - PAINTED..top {
        // SAFETY: free memory below the stack, of which there are megabytes.
        unsafe { write_volatile((word * 4) as *mut u32, PAINT) }
    }
}

/// Bytes of stack used below the caller since it was painted.
#[inline(always)]
fn depth() -> u32 {
    let sp = stack_pointer() / 4;
    for word in sp - PAINTED..sp {
        // SAFETY: as above.
        if unsafe { read_volatile((word * 4) as *const u32) } != PAINT {
            return ((sp - word) * 4) as u32;
        }
    }
    0
}
