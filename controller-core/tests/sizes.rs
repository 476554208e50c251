//! What a controller takes of a board's memory. It fails when the controller grows.

use controller_core::Controller;

/// What the feature `turning` takes of any controller with one detector, bytes; a little more
/// with each detector and group of nozzles.
const TURNING: usize = 3696;

/// Of a boom of 48 nozzles with 64 remembered pulses and one detector, bytes a nozzle, all
/// in. This is the host's figure: a 32-bit board needs some 2 bytes less.
#[track_caller]
fn needs_at_most<const K: usize>(most: usize) {
    let whole = size_of::<Controller<'_, 48, K, 64, 1>>();
    // Headings and who needs them, where that is built.
    let turning = if controller_core::turning::BUILT {
        TURNING
    } else {
        0
    };
    let each = (whole - turning).div_ceil(48);
    assert!(
        each <= most,
        "{whole} bytes, {each} a nozzle; stated are {most}"
    );
    assert!(each + 3 > most, "{each} a nozzle: state less than {most}");
}

#[test]
fn a_nozzle_with_8_patches_needs_no_more_than_stated() {
    needs_at_most::<8>(198);
}

#[test]
fn a_nozzle_with_16_patches_needs_no_more_than_stated() {
    needs_at_most::<16>(262);
}
