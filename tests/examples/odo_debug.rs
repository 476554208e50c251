//! debug
use system_tests::accuracy::{Case, ROWS, drive, profiles};
fn main() {
    let all = profiles::all();
    let a: Vec<String> = std::env::args().collect();
    let w: usize = a[1].parse().unwrap();
    let r: usize = a[2].parse().unwrap();
    let lim: f64 = a[3].parse().unwrap();
    let case = ROWS[r].1(Case::main(system_tests::accuracy::WHEELS[w]));
    for (i, p) in all.iter().enumerate() {
        for seed in 1..=5u64 {
            let o = system_tests::accuracy::drive_at(p, i, &case, seed);
            for (x, e) in o {
                if e.abs() > lim {
                    println!(
                        "{} seed {seed} at {x:.2} m t {:.3} v {:.2} err {e:.1}",
                        p.name,
                        ground_truth::Ground::time_at(&p.motion, x).unwrap(),
                        ground_truth::Ground::speed(
                            &p.motion,
                            ground_truth::Ground::time_at(&p.motion, x).unwrap()
                        )
                    );
                }
            }
        }
    }
    let _ = drive;
}
