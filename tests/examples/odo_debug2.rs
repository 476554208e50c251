//! debug
use system_tests::accuracy::{Case, ROWS, profiles};
fn main() {
    let all = profiles::all();
    let a: Vec<usize> = std::env::args()
        .skip(1)
        .map(|a| a.parse().unwrap())
        .collect();
    let case = ROWS[a[1]].1(Case::main(system_tests::accuracy::WHEELS[a[0]]));
    let _ = system_tests::accuracy::drive_at(&all[a[2]], a[2], &case, a[3] as u64);
}
