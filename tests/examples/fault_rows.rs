//! Runs rows of the fault matrix and prints them as a table: all of them, or those whose names
//! contain one of the words given.
//!
//! `fault_rows` prints the matrix. `fault_rows plant FOLDER` writes every planted change into a
//! copy of the workspace. `fault_rows without [WORD...]`, built in such a copy, runs each row
//! without its guard and fails when one still keeps its bound.

use std::collections::HashMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::process::ExitCode;
use system_tests::faults::plants::{self, Guard};
use system_tests::faults::{Bound, Row, clean, effect, matrix, rows};

fn main() -> ExitCode {
    // Set in the copy that has the changes.
    let switch: Option<fn(u64)> = None;
    let args: Vec<String> = std::env::args().skip(1).collect();
    let done = match args.split_first() {
        None => {
            print!("{}", matrix());
            Ok(())
        }
        Some((verb, [folder])) if verb == "plant" => plants::plant(Path::new(folder)),
        Some((verb, words)) if verb == "without" => match switch {
            Some(switch) => without(words, switch),
            None => Err("nothing is planted in this workspace; run scripts/plant-faults".into()),
        },
        Some((verb, _)) => Err(format!(
            "'{verb}' is nothing to do; give nothing, 'plant FOLDER' or 'without [WORD...]'"
        )),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("fault_rows: {error}");
            ExitCode::FAILURE
        }
    }
}

/// What a row breaks with these changes planted; a panic counts.
fn broken(row: &Row, clean: &ground_truth::Report) -> Vec<String> {
    catch_unwind(AssertUnwindSafe(|| {
        let effect = effect(row, clean);
        if std::env::var_os("FAULT_EFFECTS").is_some() {
            eprintln!("{effect}  {}", row.name);
        }
        effect.breaks(&row.bound)
    }))
    .unwrap_or_else(|panic| {
        let text = panic.downcast_ref::<String>().map_or("", String::as_str);
        vec![format!("panics: {}", text.lines().next().unwrap_or(""))]
    })
}

/// Whether the drive without any fault is still perfect with these changes planted.
fn harmless(row: &Row, sound: &ground_truth::Report) -> &'static str {
    let bare = Row {
        fault: |_| {},
        bound: Bound::NOTHING,
        ..*row
    };
    if broken(&bare, sound).is_empty() {
        "whole"
    } else {
        "broken too"
    }
}

fn without(words: &[String], switch: fn(u64)) -> Result<(), String> {
    std::panic::set_hook(Box::new(|_| {}));
    println!(
        "| row | guard taken out | what breaks | drive without the fault |\n|---|---|---|---|"
    );
    let mut kept = Vec::new();
    let mut sound: HashMap<u8, ground_truth::Report> = HashMap::new();
    let chosen =
        |row: &Row| words.is_empty() || words.iter().any(|w| row.name.contains(w.as_str()));
    for row in rows().iter().filter(|row| chosen(row)) {
        switch(0);
        let sound = (sound.entry(row.base as u8)).or_insert_with(|| clean(row.base));
        if let Some(breaks) = broken(row, sound).first() {
            return Err(format!(
                "{}: breaks with every guard in place: {breaks}",
                row.name
            ));
        }
        let (_, guard) = (plants::GUARDS.iter())
            .find(|(name, _)| *name == row.name)
            .ok_or_else(|| format!("no guard is listed for '{}'", row.name))?;
        let (lines, bits) = match (guard, plants::bits(row.name)?) {
            (Guard::Lines(lines), Some(bits)) => (lines, bits),
            (Guard::Nothing(why), _) => {
                println!("| {} | none: {why} | | |", row.name);
                continue;
            }
            (Guard::Lines(_), None) => unreachable!("bits follow the lines"),
        };
        switch(bits);
        let breaks = broken(row, sound);
        let harmless = harmless(row, sound);
        let lines: Vec<String> = (lines.iter())
            .map(|c| {
                let file = c.file.trim_start_matches("controller-core/src/");
                format!(
                    "`{file}`: `{}` → `{}`",
                    c.old.replace('|', "\\|"),
                    c.new.replace('|', "\\|")
                )
            })
            .collect();
        if breaks.is_empty() {
            kept.push(row.name);
        }
        let what = if breaks.is_empty() {
            "**nothing**".to_owned()
        } else {
            breaks.join("; ")
        };
        println!(
            "| {} | {} | {what} | {harmless} |",
            row.name,
            lines.join(", ")
        );
    }
    if kept.is_empty() {
        Ok(())
    } else {
        Err(format!(
            "keep their bounds without their guard: {}",
            kept.join("; ")
        ))
    }
}
