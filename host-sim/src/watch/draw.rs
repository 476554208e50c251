//! The watch as a picture of characters.

use controller_core::link::{SectionMode, SectionState};
use ratatui::Frame;
use ratatui::layout::{Constraint, Layout, Rect};
use ratatui::style::{Color, Modifier, Style};
use ratatui::text::{Line, Span};
use ratatui::widgets::{Block, Paragraph, Row, Table};

use super::state::Watched;
use crate::bench::words;

/// The keys, as shown.
pub const KEYS: &str = " q quit   s stop: close everything   r count changes from now on ";

/// Bars of so many characters show how many valves of a section are open.
const BAR: usize = 20;

/// Draws everything.
pub fn draw(frame: &mut Frame<'_>, watched: &Watched) {
    let sections = watched.sections.len().max(1) as u16;
    let [top, middle, bottom, keys] = Layout::vertical([
        Constraint::Length(6),
        Constraint::Length(sections.saturating_add(3)),
        Constraint::Min(4),
        Constraint::Length(1),
    ])
    .areas(frame.area());
    machine(frame, top, watched);
    boom(frame, middle, watched);
    let [faults, counters] =
        Layout::horizontal([Constraint::Percentage(45), Constraint::Percentage(55)]).areas(bottom);
    faults_and_link(frame, faults, watched);
    changes(frame, counters, watched);
    let style = Style::new().add_modifier(Modifier::REVERSED);
    frame.render_widget(Paragraph::new(KEYS).style(style), keys);
}

fn machine(frame: &mut Frame<'_>, area: Rect, watched: &Watched) {
    let bold = Style::new().add_modifier(Modifier::BOLD);
    let mut lines = Vec::new();
    match &watched.motion {
        None => lines.push(Line::from("no news yet")),
        Some(motion) => {
            let colour = match motion.guard {
                3 => Color::Green,
                5..=7 => Color::Red,
                _ => Color::Yellow,
            };
            lines.push(Line::from(vec![
                Span::raw("speed     "),
                Span::styled(
                    format!("{:.2} m/s", f64::from(motion.speed_mm_s) * 1e-3),
                    bold,
                ),
                Span::raw(format!(
                    "     distance  {:.2} m",
                    motion.distance_mm as f64 * 1e-3
                )),
            ]));
            lines.push(Line::from(vec![
                Span::raw("state     "),
                Span::styled(words::guard(motion.guard), bold.fg(colour)),
            ]));
            lines.push(Line::from(format!(
                "open      {} valves     board's clock  {:.1} s",
                motion.open,
                motion.at_us as f64 * 1e-6
            )));
        }
    }
    if let Some(silence) = watched.silent_s() {
        lines.push(Line::styled(
            format!("SILENT for {silence:.0} s: what stands here is old"),
            bold.fg(Color::Red),
        ));
    }
    let digest = watched.welcome.machine_digest;
    let machine = digest.map_or("no machine".into(), |d| format!("machine {d:08x}"));
    let title = format!(" {} · {machine} ", watched.port);
    frame.render_widget(
        Paragraph::new(lines).block(Block::bordered().title(title)),
        area,
    );
}

/// A mode's word.
pub fn mode(mode: SectionMode) -> &'static str {
    match mode {
        SectionMode::Off => "off",
        SectionMode::Spot => "spot",
        SectionMode::Broadcast => "broadcast",
    }
}

fn boom(frame: &mut Frame<'_>, area: Rect, watched: &Watched) {
    let rows = watched.sections.values().map(|s| {
        let faulty = match s.faulty {
            0 => String::new(),
            count => format!("{count} faulty"),
        };
        Row::new([
            s.section.to_string(),
            mode(s.mode).to_owned(),
            format!("{} of {}", s.open, s.count),
            bar(s),
            format!("{:.1} s", f64::from(s.on_ms) * 1e-3),
            faulty,
        ])
    });
    let widths = [
        Constraint::Length(8),
        Constraint::Length(10),
        Constraint::Length(12),
        Constraint::Length(BAR as u16 + 1),
        Constraint::Length(12),
        Constraint::Min(8),
    ];
    let head = Row::new(["section", "mode", "open", "", "valve time", ""]);
    let head = head.style(Style::new().add_modifier(Modifier::BOLD));
    let table = Table::new(rows, widths)
        .header(head)
        .block(Block::bordered().title(" boom "));
    frame.render_widget(table, area);
}

fn bar(section: &SectionState) -> String {
    let count = usize::from(section.count.max(1));
    let full = (usize::from(section.open) * BAR).div_ceil(count).min(BAR);
    format!("{}{}", "█".repeat(full), "·".repeat(BAR - full))
}

fn faults_and_link(frame: &mut Frame<'_>, area: Rect, watched: &Watched) {
    let faults = watched.motion.map(|m| words::faults(m.faults));
    let faults = faults.unwrap_or_default();
    let mut lines = Vec::new();
    if faults.is_empty() {
        lines.push(Line::from("no faults"));
    }
    let red = Style::new().fg(Color::Red);
    lines.extend(faults.into_iter().map(|fault| Line::styled(fault, red)));
    lines.extend(link(watched).into_iter().map(Line::from));
    let block = Block::bordered().title(" faults and link ");
    frame.render_widget(Paragraph::new(lines).block(block), area);
}

/// The link in short lines: what comes, and what got lost on its way here.
pub fn link(watched: &Watched) -> [String; 3] {
    let (r, l) = (watched.rates, watched.here);
    let damaged = l
        .bad_crc
        .saturating_add(l.bad_cobs)
        .saturating_add(l.bad_length);
    [
        format!("{:.0} frames/s, {:.0} B/s", r.frames_hz, r.bytes_hz),
        format!("{:.1} commands/s", r.commands_hz),
        format!(
            "{} lost, {damaged} damaged, {} unknown",
            l.lost, l.unreadable
        ),
    ]
}

fn changes(frame: &mut Frame<'_>, area: Rect, watched: &Watched) {
    let changed = watched.changed();
    let room = usize::from(area.height.saturating_sub(2));
    let mut lines: Vec<Line<'_>> = changed
        .iter()
        .map(|((whose, name, total), by)| {
            Line::from(format!("{whose:<5}{name:<20}+{by} = {total}"))
        })
        .collect();
    if lines.is_empty() {
        lines.push(Line::from("none changed"));
    }
    if lines.len() > room && room > 0 {
        let more = lines.len() - (room - 1);
        lines.truncate(room - 1);
        lines.push(Line::from(format!("and {more} more")));
    }
    let block = Block::bordered().title(" counters that changed ");
    frame.render_widget(Paragraph::new(lines).block(block), area);
}
