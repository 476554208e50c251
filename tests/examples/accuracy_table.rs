//! tune
use system_tests::accuracy::{Case, ROWS, Simple, Stats, WHEELS, drive, drive_simple, profiles};

fn main() {
    let (all, five) = (profiles::all(), profiles::first_five());
    let slipping: Vec<&str> = all.iter().filter(|p| p.slips).map(|p| p.name).collect();
    let arg = std::env::args().nth(1);
    let only = std::env::args().nth(2);
    let each = std::env::args().nth(3).is_some();
    let seeds = if arg.as_deref() == Some("tune") {
        1..=5
    } else {
        1001..=1020
    };
    for wheel in WHEELS {
        if only.is_none() {
            for way in [Simple::FixedDelay, Simple::WholePulses] {
                let o = drive_simple(&five, &Case::main(wheel), seeds.clone(), way);
                println!("{:4} {:26} {}", wheel.0, format!("{way:?}"), o.pooled());
            }
        }
        for (i, (name, change)) in ROWS.iter().enumerate() {
            if let Some(o) = &only
                && !o.contains(&i.to_string())
            {
                continue;
            }
            let case = change(Case::main(wheel));
            let o = drive(&all, &case, seeds.clone());
            let (w, s) = o.worst();
            let five5: Vec<f64> = o.settled.iter().take(5).flat_map(|x| x.1.clone()).collect();
            println!(
                "{:4} {:26} {} |5 {} |7 {} | {:24} {s} | n {} use {}/{} {:?} cold {} away {}",
                wheel.0,
                name,
                o.pooled(),
                Stats::of(&five5),
                o.pooled_without(&slipping),
                w,
                o.pooled().n,
                o.in_use,
                o.runs,
                (
                    o.counted.pulses_refused,
                    o.counted.pulses_bridged,
                    o.counted.reaimed,
                    o.counted.reaimed_too_late
                ),
                Stats::of(&o.learning),
                Stats::of(&o.away)
            );
            if each {
                for (n, e) in &o.settled {
                    println!("        {n:28} {}", Stats::of(e));
                }
            }
        }
    }
}
