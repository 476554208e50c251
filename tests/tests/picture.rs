//! The picture that the README shows is the picture that the demo draws.

use host_sim::run::demo;

#[test]
fn the_readme_shows_what_the_demo_draws() {
    let folder = std::env::temp_dir().join(format!("demo-picture-{}", std::process::id()));
    let (summary, picture) = demo(folder.to_str().expect("a plain path")).expect("the demo runs");
    let drawn = std::fs::read_to_string(&picture).expect("the picture");
    std::fs::remove_dir_all(&folder).expect("its own folder");
    let shown = include_str!("../../host-sim/demo/strip.svg");
    assert!(
        drawn == shown,
        "run scripts/demo --out OUT and copy OUT/strip.svg to host-sim/demo/"
    );
    assert!(summary.holds());
}
