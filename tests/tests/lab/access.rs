//! The lab without a mouse and without looking: the keyboard, what the accessibility tree holds,
//! motion that is not wanted, and shapes beside colours.

use host_sim::lab::values::TABLE;
use serde_json::{Value, json};

use crate::browser::Browser;
use crate::{open, served_at};

/// Roles that mean nothing without a name.
const NAMED: [&str; 10] = [
    "button",
    "slider",
    "spinbutton",
    "textbox",
    "radio",
    "radiogroup",
    "link",
    "image",
    "region",
    "heading",
];
const TAB: &str = "\u{E004}";
const ENTER: &str = "\u{E007}";

/// What is there to be used or looked at and has no name.
pub fn nameless(heard: &[(String, String)]) -> Vec<&str> {
    heard
        .iter()
        .filter(|(role, name)| NAMED.contains(&role.as_str()) && name.trim().is_empty())
        .map(|(role, _)| role.as_str())
        .collect()
}

#[test]
fn everything_has_a_name_and_values_their_units() {
    let browser = Browser::start((1280, 900), &[]);
    open(&browser, &served_at(""));
    browser.click("[data-lesson=fixed-delay]");
    browser.until("lab.settled > 0");
    let heard = browser.heard();
    assert_eq!(nameless(&heard), Vec::<&str>::new());
    let names = |role: &str| -> Vec<&str> {
        let of = heard.iter().filter(|h| h.0 == role);
        of.map(|h| h.1.as_str()).collect()
    };
    for landmark in ["main", "banner", "contentinfo"] {
        assert_eq!(names(landmark).len(), 1, "{landmark}");
    }
    assert_eq!(names("radio").len(), 2);
    assert_eq!(
        names("slider").len(),
        TABLE.len() + 1,
        "and the drive's time"
    );
    for row in TABLE {
        let slider = match row.unit {
            "" => row.label.to_owned(),
            unit => format!("{}, {unit}", row.label),
        };
        assert!(names("slider").contains(&slider.as_str()), "{slider}");
        let number = names("spinbutton");
        let told = |n: &&str| n.starts_with(row.label) && n.trim_end().ends_with(row.unit);
        assert!(number.iter().any(told), "{}: {number:?}", row.label);
    }
    // The value itself is heard with its unit too.
    let spoken =
        browser.js("return document.querySelector('#r-speed_m_s').getAttribute('aria-valuetext')");
    assert_eq!(spoken, json!("4 m/s"));
    // What a change comes to is told without being looked for, and the drive's clock is not.
    let live = browser.js("return [document.querySelector('#verdict'), document.querySelector('#clock')].map((e) => e.getAttribute('aria-live'))");
    assert_eq!(live, json!(["polite", "off"]));
    // A name that is taken away is missed.
    browser.js("const b = document.querySelector('#reset'); b.textContent = ''");
    assert_eq!(nameless(&browser.heard()), ["button"]);
    outcomes_differ_by_shape(&browser);
    motion_is_left_out_where_it_is_not_wanted(&browser);
}

/// Colours taken away, plants of each outcome still look different, and so do the two controllers.
fn outcomes_differ_by_shape(browser: &Browser) {
    let shapes = browser.js(
        "return ['full', 'partial', 'missed: late', 'outside'].map((o) => lab.pictures.plant(9, 9, 4, o).replace(/ class=\"[^\"]*\"/g, ''))",
    );
    let shapes: Vec<&Value> = shapes.as_array().expect("four").iter().collect();
    for (i, shape) in shapes.iter().enumerate() {
        assert!(!shapes[..i].contains(shape), "{shape}");
    }
    for place in ["#curve", "#way", "#strip"] {
        let dashed = browser.js(&format!(
            "return ['core', 'fixed'].map((who) => [...document.querySelectorAll(`{place} .${{who}}, {place} .${{who}}-line`)].map((e) => getComputedStyle(e).strokeDasharray)).map((all) => [...new Set(all)])"
        ));
        assert_eq!(dashed[0], json!(["none"]), "{place}: {dashed}");
        assert!(
            dashed[1]
                .as_array()
                .is_some_and(|all| !all.is_empty() && all.iter().all(|d| d != "none")),
            "{place}: {dashed}"
        );
    }
}

/// With the wish for less motion the drive goes on in stills, not in frames.
fn motion_is_left_out_where_it_is_not_wanted(browser: &Browser) {
    let moves = |prefers: &str| {
        browser.show_as(1280, "", &[("reduced-motion", prefers)]);
        browser.js("window.frames_wanted = 0; window.own_frame ??= requestAnimationFrame; window.requestAnimationFrame = (f) => { window.frames_wanted += 1; return own_frame(f); }");
        browser.js("const t = document.querySelector('#time'); t.value = 1; t.dispatchEvent(new Event('input'))");
        browser.click("#play");
        browser.until("Number(document.querySelector('#time').value) > 1.1");
        let frames = browser.js("return window.frames_wanted");
        browser.click("#play");
        frames.as_u64().expect("a count")
    };
    assert_eq!(moves("reduce"), 0);
    assert!(moves("no-preference") > 0);
}

/// The whole lab by keyboard alone: everything can be reached, shows where the focus is, and lets
/// it go again; and a lesson is solved without a mouse.
#[test]
fn the_keyboard_reaches_everything_and_solves_a_lesson() {
    let browser = Browser::start((1280, 900), &[]);
    open(&browser, &served_at(""));
    browser.until("lab.settled > 0");
    let there = browser.js(
        "window.reached = new Set(); window.unmarked = [];
        const what = 'a[href], button, input, summary';
        document.addEventListener('focusin', (event) => {
            reached.add(event.target);
            const style = getComputedStyle(event.target);
            if (style.outlineStyle === 'none' || parseFloat(style.outlineWidth) < 2) unmarked.push(event.target.outerHTML);
        });
        window.wanted = [...document.querySelectorAll(what)].filter((e) => !e.disabled && e.getClientRects().length);
        document.activeElement.blur();
        return wanted.length",
    );
    let count = there.as_u64().expect("a count");
    assert!(count > 60, "{count}");
    // A few more than there are, since file fields may take two.
    let tabs = vec![TAB; count as usize + 8];
    browser.press(&tabs);
    let missed = "return wanted.filter((e) => !reached.has(e)).map((e) => e.outerHTML)";
    assert_eq!(browser.js(missed), json!([]));
    assert_eq!(browser.js("return unmarked"), json!([]));

    browser.js("document.querySelector('[data-lesson=clock]').focus()");
    browser.press(&[ENTER]);
    browser.until("document.querySelector('#answer')");
    // From its own button on: the lessons after it, "Set it up", the answer.
    for _ in 0..12 {
        browser.press(&[TAB]);
        if browser.js("return document.activeElement.id") == json!("answer") {
            break;
        }
    }
    browser.press(&["3", "0", TAB]);
    assert_eq!(
        browser.js("return document.activeElement.id"),
        json!("check")
    );
    browser.press(&[" "]);
    browser.until("document.querySelector('#answer-verdict').textContent");
    assert_eq!(
        browser.js("return document.querySelector('#answer-verdict').className"),
        json!("verdict-right")
    );
    // What it set is open to be seen, and a folded group opens with its lesson.
    browser.js("document.querySelector('#n-pulse_length_mm').closest('details').open = false; document.querySelector('[data-lesson=wheel]').focus()");
    browser.press(&[ENTER]);
    browser.until("document.querySelector('#n-pulse_length_mm').closest('details').open");
}
