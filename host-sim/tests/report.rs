//! The verb `report`: one page that loads nothing, with what the drive and the study came to.

mod common;

use common::{Demo, host_sim, messages};
use host_sim::run::DEMO_MACHINE;

/// Makes the page of a folder and reads it.
fn page(demo: &Demo, folder: &str) -> String {
    let out = demo.path("report.html");
    let done = host_sim(&["report", folder, "--out", &out]);
    assert_eq!(done.status.code(), Some(0), "{}", messages(&done));
    String::from_utf8(demo.read("report.html")).expect("text")
}

/// What a page must not hold: anything that is fetched.
fn needs_no_network(html: &str) {
    let outside = html.replace("http://www.w3.org/2000/svg", "");
    for word in [
        "http:", "https:", "src=", "@import", "url(", "<link", "fetch(", "XMLHttp", "import(",
    ] {
        assert!(!outside.contains(word), "{word}");
    }
    assert!(html.contains("default-src 'none'"));
    assert_eq!(html.matches("<html").count(), 1);
    assert!(html.contains("@media print"));
}

/// Every picture has words: a label, or is hidden from those who are read to.
fn pictures_have_words(html: &str) {
    for svg in html.split("<svg").skip(1) {
        let tag = &svg[..svg.find('>').expect("a tag")];
        let title = svg[..svg.len().min(900)].contains("<title>");
        assert!(
            tag.contains("aria-label") || tag.contains("aria-hidden") || title,
            "{tag}"
        );
    }
}

#[test]
fn the_page_of_a_drive_holds_it_all() {
    let demo = Demo::new("report-drive");
    let folder = demo.path("");
    let html = page(&demo, &folder);
    needs_no_network(&html);
    pictures_have_words(&html);
    // The digest is that of the file: `sha256sum` of it, by another implementation.
    let sum = std::process::Command::new("sha256sum")
        .arg(demo.path("machine.toml"))
        .output();
    if let Ok(sum) = sum.map(|o| String::from_utf8_lossy(&o.stdout).into_owned()) {
        let digest = sum.split(' ').next().expect("a digest");
        assert!(digest.len() == 64 && html.contains(digest), "{sum}");
    }
    let out = host_sim(&[
        "replay",
        &demo.path("recording.jsonl"),
        "--machine",
        &demo.path("machine.toml"),
        "--truth",
        &demo.path("truth.json"),
        "--json",
    ]);
    let said: serde_json::Value = serde_json::from_slice(&out.stdout).expect("JSON");
    let full = format!(
        "{} of {}",
        said["targets"]["full"], said["targets"]["total"]
    );
    assert!(html.contains(&full), "{full}");
    for words in [
        "Ground strip",
        "Placement errors",
        "Cycles of each nozzle",
        "Pressure",
        "Faults",
        "machine.toml",
        "pulses_per_m = 50",
    ] {
        assert!(html.contains(words), "{words}");
    }
    // A row for each nozzle, and as many openings as half of the commands.
    let cycles = &html[html.find("<caption>Cycles").expect("a table")..];
    let cycles = &cycles[..cycles.find("</table>").expect("its end")];
    let rows: Vec<u64> = cycles
        .split("<tr><th scope=\"row\">")
        .skip(1)
        .map(|r| {
            r.split("<td>")
                .nth(1)
                .and_then(|c| c.split('<').next())
                .expect("openings")
                .parse()
                .expect("a number")
        })
        .collect();
    assert_eq!(rows.len(), 8);
    assert_eq!(
        rows.iter().sum::<u64>() * 2,
        said["commands"].as_u64().expect("a count")
    );
}

#[test]
fn plants_that_were_missed_are_listed_and_names_do_no_harm() {
    let demo = Demo::new("report-missed");
    let text = DEMO_MACHINE
        .replace("demo boom", "<script>alert(1)</script> & co")
        .replace("lead_m = 0.06", "lead_m = 0.0")
        .replace("lead_ms = 5.0", "lead_ms = 0.0")
        .replace("open_delay_ms = 20.0", "open_delay_ms = 90.0");
    demo.write("machine.toml", text.as_bytes());
    let html = page(&demo, &demo.path(""));
    assert!(!html.contains("<script>alert") && html.contains("&lt;script&gt;alert"));
    assert!(html.contains("Plants not full") && html.contains("data-x="));
    needs_no_network(&html);
    // Without the truth it is judged in hindsight, and says so.
    std::fs::remove_file(demo.path("truth.json")).expect("there");
    assert!(page(&demo, &demo.path("")).contains("hindsight"));
}

#[test]
fn a_supply_is_drawn() {
    let demo = Demo::new("report-supply");
    let scenario = format!(
        "{}\n[supply]\nnominal_kpa = 300.0\nnozzle_l_min = 0.8\npump_kpa = 400.0\npump_drop_kpa = 2.0\nlag_ms = 20.0\n",
        host_sim::run::DEMO_SCENARIO
    );
    let scenario = demo.write("scenario.toml", scenario.as_bytes());
    let drive = demo.path("drive");
    let done = host_sim(&["generate", &scenario, "--out", &drive]);
    assert_eq!(done.status.code(), Some(0), "{}", messages(&done));
    let html = page(&demo, &drive);
    assert!(html.contains("Pressure at the nozzles") && html.contains("400.0 kPa"));
    pictures_have_words(&html);
}

#[test]
fn the_page_of_a_study_holds_its_cells_and_refuses_half_of_it() {
    let demo = Demo::new("report-study");
    let study = demo.write(
        "study.toml",
        b"study_format = 1\nname = \"leads\"\nmachine = \"machine.toml\"\nscenario = \"short.toml\"\nseeds = 2\n[[vary]]\nkey = \"machine.patch.lead_m\"\nvalues = [0.0, 0.03, 0.06]\n",
    );
    demo.write("short.toml", host_sim::run::DEMO_SCENARIO.as_bytes());
    let out = demo.path("study");
    let done = host_sim(&["study", &study, "--out", &out]);
    assert_eq!(done.status.code(), Some(0), "{}", messages(&done));
    let html = page(&demo, &out);
    needs_no_network(&html);
    pictures_have_words(&html);
    for words in [
        "Study: leads",
        "Hits by machine.patch.lead_m",
        "study.toml",
        "0.03",
        "scenario.toml",
    ] {
        assert!(html.contains(words), "{words}");
    }
    let part = std::path::Path::new(&out).join("part-00000.parquet");
    std::fs::remove_file(part).expect("there");
    let done = host_sim(&["report", &out, "--out", &demo.path("x.html")]);
    assert_eq!(done.status.code(), Some(2));
    assert!(
        messages(&done).contains("1 of 1 parts"),
        "{}",
        messages(&done)
    );
    for (folder, words) in [
        (demo.path("nowhere"), "neither"),
        (demo.path("machine.toml"), "neither"),
    ] {
        let done = host_sim(&["report", &folder, "--out", &demo.path("x.html")]);
        assert_eq!(done.status.code(), Some(2));
        assert!(messages(&done).contains(words), "{}", messages(&done));
    }
}
