# Makes the tables of scripts/bounds out of the images' lines:
#   M size NOZZLES BYTES_8 BYTES_16 NOZZLE_CONFIG BYTES_OF_ONE
#   M row NOZZLES NAME BY_HAND BY_CHANCE STACK CALLS
#   M turning_size, the same of a machine that turns
#   M flash PARTS TEXT RODATA
# where M is m4 or m0, and NAME of a machine that turns begins with turning_.

function commas(n,    s) {
    s = sprintf("%d", n)
    while (match(s, /[0-9][0-9][0-9][0-9]/) && s ~ /^[0-9]*[0-9][0-9][0-9][0-9]/) sub(/[0-9][0-9][0-9](,|$)/, ",&", s)
    return s
}

$2 == "row" {
    hand = $5 + 0; chance = $6 + 0
    most[$1, $3, $4] = chance > hand ? chance : hand
    mark[$1, $3, $4] = chance > hand ? " r" : ""
    if ($7 + 0 > stack[$1, $4]) stack[$1, $4] = $7 + 0
    if (!($4 in known)) { known[$4] = 1; order[++rows] = $4 }
    calls[$4] += $8
}
$2 == "turning_size" { eight["t", $3] = $4; sixteen["t", $3] = $5 }
$2 == "size" { eight[$3] = $4; sixteen[$3] = $5; config = $6; counts[++sizes] = $3
    if (sizes > 3) sizes = 3 }
$2 == "flash" { text[$1, $3] = $4; rodata[$1, $3] = $5 }

function word(name, what, goal4, goal0) { how[name] = what; goals["m4", name] = goal4; goals["m0", name] = goal0 }

function verdict(name,    m, n, missed) {
    if (!goals["m4", name]) return "none"
    missed = 0
    for (m in machines) for (n in nozzles) if (most[m, n, name] > goals[m, name]) missed = 1
    return commas(goals["m4", name]) " / " commas(goals["m0", name]) (missed ? ", missed" : ", met")
}

function held(m, name) { return stack[m, name] ? commas(stack[m, name]) : "none" }

END {
    machines["m4"]; machines["m0"]; nozzles[48]; nozzles[96]; nozzles[192]
    word("poll_idle", "nothing due, asked again at once", 4500, 6500)
    word("poll_waking", "first poll after an input that answers idle: every group is told when to wake", 4500, 6500)
    word("poll_input", "a poll that does what an input left: a pulse counted, a plant looked up again, four nozzles planned on, brought up or going on after a way back, a keep-off stretch joined; all cases below", 4500, 6500)
    word("poll_plan", "plan alone; one group of 32 with 16 patches each: all switch at once, all too late for 250 ms valves, all 16 joined by one close after 1 s; and random drives", 4500, 6500)
    word("poll_composed", "one group of 32 with every layer: 16 patches, 16 keep-off stretches over each nozzle, 4 detectors of 8 seen stretches over each nozzle, unseen ground sprayed, modes just changed; and random drives", 4500, 6500)
    word("poll_stop", "emergency stop, 32 open valves closed, every layer and list full", 4500, 6500)
    word("whole_plan", "all polls of one instant together, until idle, in the cases of `poll_plan`")
    word("whole_composed", "the same in those of `poll_composed`")
    word("whole_stop", "the same in those of `poll_stop`: the whole boom")
    word("pulse", "noted for the next poll; all cases", 200, 1000)
    word("whole_pulse", "`pulse` and the polls that count it: slots of the wheel learned and in use (100 and 15 a turn), speed changing")
    word("whole_aims", "the same with four plants of four nozzles looked up again, full lists")
    word("whole_aims_wide", "the same, each plant on all nozzles of the boom")
    word("image_begin", "an image checked and its capture looked up, 64 plants, old and new; all cases", 4500, 6500)
    word("image_step", "one of the steps that follow: ground seen, a plant aimed at, four nozzles planned on; all cases without fans", 4500, 6500)
    word("image_step_fan", "the same with fans up to four spacings to each side, uneven boom, faulty nozzles: the set is searched", 4500, 6500)
    word("whole_image_one", "one plant on four nozzles, all lists full, two patches joined by force on each; `image_begin` and all steps together", 5000, 7500)
    word("whole_image_one_fan", "one plant with fans as above, full lists")
    word("whole_image_64", "64 plants of four nozzles each, full lists")
    word("whole_image_64_fan", "64 plants with fans as above")
    word("whole_image_wide", "64 plants, each on all nozzles of the boom, full lists")
    word("whole_image_composed", "up to 16 plants on all nozzles with every layer full")
    word("stop", "emergency stop handed over", 4500, 6500)
    word("mode", "a section's mode, every list full, valves open", 4500, 6500)
    word("whole_mode", "the same and the polls that bring open nozzles up")
    word("switches", "16 switches, half of them turned", 4500, 6500)
    word("keep_off", "a 17th keep-off stretch; valves open", 4500, 6500)
    word("whole_keep_off", "the same and the polls that bring open nozzles up and join two stretches")
    word("direction", "end of a way back, every list full", 4500, 6500)
    word("whole_direction", "the same and the polls that go on with patches that a stop cut off")
    word("fault", "a nozzle called faulty, list full", 4500, 6500)
    word("acknowledge", "an emergency stop released", 4500, 6500)
    word("bench", "requests of the bench state", 4500, 6500)
    word("turning_poll_idle", "as above", 4500, 6500)
    word("turning_poll_waking", "as above; groups brought up at eight headings", 4500, 6500)
    word("turning_poll_input", "what an input of the heading leaves: nozzles that run back give up full lists, one of 48 plants is looked at again and its patch moved; and the cases above", 4500, 6500)
    word("turning_poll_plan", "the cases of `poll_plan` on an arc, and of all rows below; random drives that swerve", 4500, 6500)
    word("turning_poll_composed", "the cases of `poll_composed` on an arc; random drives that swerve", 4500, 6500)
    word("turning_poll_stop", "as above, on an arc", 4500, 6500)
    word("turning_whole_plan", "the polls of one instant together")
    word("turning_whole_composed", "the same in those of `turning_poll_composed`")
    word("turning_whole_stop", "the same in those of `turning_poll_stop`: the whole boom")
    word("turning_pulse", "noted for the next poll; all cases", 4500, 6500)
    word("turning_whole_pulse", "`pulse` and the polls that count it")
    word("turning_whole_aims_wide", "the same in random drives, plants looked up again on up to all nozzles")
    word("turning_image_begin", "images to 0.4 s old; all cases", 4500, 6500)
    word("turning_image_step", "arcs of 5.5 to 83 m radius to either hand, plants beyond the turn's centre, full lists", 4500, 6500)
    word("turning_image_step_fan", "the same with fans on an uneven boom with faulty nozzles", 4500, 6500)
    word("turning_whole_image_one", "one plant on four nozzles, all lists full")
    word("turning_whole_image_64", "64 plants of four nozzles each, full lists")
    word("turning_whole_image_64_fan", "48 plants with fans")
    word("turning_whole_image_wide", "24 plants, each on all nozzles of the boom, full lists")
    word("turning_whole_image_composed", "up to 20 plants with every layer in use")
    word("turning_yaw", "a yaw rate; all cases", 4500, 6500)
    word("turning_whole_yaw", "the same and its polls: 48 plants kept, one of them moved, on up to all nozzles; nozzles that run back")
    word("turning_second", "a pulse of the second wheel; all cases", 4500, 6500)
    word("turning_whole_second", "the same and its polls, as for the yaw rate")
    word("turning_stop", "as above", 4500, 6500)
    word("turning_mode", "as above", 4500, 6500)
    word("turning_whole_mode", "as above, on an arc")
    word("turning_switches", "as above", 4500, 6500)
    word("turning_keep_off", "as above", 4500, 6500)
    word("turning_whole_keep_off", "as above, on an arc")
    word("turning_direction", "as above", 4500, 6500)
    word("turning_whole_direction", "as above, on an arc")
    word("turning_fault", "as above", 4500, 6500)
    word("turning_acknowledge", "as above", 4500, 6500)
    word("turning_bench", "as above", 4500, 6500)
    word("turning_set_up", "as `set_up`; fewer cases")
    word("set_up", "a blank controller made that of a machine, once; all cases by hand")
    word("frame_byte", "the dearest byte of a frame (its last)")
    word("frame_read", "an image of 64 full plants, message and plants made the core's")
    word("frame_write", "the counters written, sealed and stuffed")

    print "### Instructions of one call, and its stack"
    print ""
    print "| call | how its worst case is forced | M4: 48 | 96 | 192 nozzles | M0: 48 | 96 | 192 nozzles | goal M4 / M0 | stack M4, B | stack M0, B |"
    print "|---|---|---|---|---|---|---|---|---|---|---|"
    lines(0)
    print ""
    print "### The same where the machine turns (feature `turning`)"
    print ""
    print "| call | how its worst case is forced | M4: 48 | 96 | 192 nozzles | M0: 48 | 96 | 192 nozzles | goal M4 / M0 | stack M4, B | stack M0, B |"
    print "|---|---|---|---|---|---|---|---|---|---|---|"
    lines(1)
    print ""
    print "### Flash, bytes"
    print ""
    print "| part | what is counted | M4 `.text` | M4 `.rodata` | M0 `.text` | M0 `.rodata` | goal for `.text` M4 / M0 |"
    print "|---|---|---|---|---|---|---|"
    part("flash_core", "the controller's 23 public calls for 96 nozzles, less an image without them", "core", "none", 12288, 16384)
    part("flash_turning", "the feature `turning` on top, with its 2 calls", "core,turning", "core", 0, 0)
    part("flash_link", "19 calls of a board's side of the link, on top", "core,link", "core", 8192, 8192)
    part("flash_drivers", "48 calls, every driver, on top", "core,drivers", "core", 8192, 8192)
    part("flash_both", "link and drivers together, on top", "core,link,drivers", "core", 8192, 8192)
    part("flash_board", "what one board takes: the link, and 23 calls of the drivers of a board with valves on shift registers; on top", "core,link,board", "core", 8192, 8192)
    print ""
    print "### RAM of the controller, bytes (the same on both)"
    print ""
    print "| nozzles | what is counted | 8 intervals | 16 intervals | a nozzle, 8 | a nozzle, 16 | goal a nozzle 8 / 16 |"
    print "|---|---|---|---|---|---|---|"
    for (i = 1; i <= 3; i++) {
        n = counts[i]
        a = int((eight[n] + n - 1) / n); b = int((sixteen[n] + n - 1) / n)
        print "| `ram_" n "` | the whole controller: 64 pulses, 4 detectors | " commas(eight[n]) " | " commas(sixteen[n]) " | " a " | " b " | 104 / 176, " (a > 104 || b > 176 ? "missed" : "met") " |"
    }
    a = int((eight[192] - eight[48]) / 144 + 0.999); b = int((sixteen[192] - sixteen[48]) / 144 + 0.999)
    print "| `ram_each` | each further nozzle | " a " | " b " | " a " | " b " | 104 / 176, " (a > 104 || b > 176 ? "missed" : "met") " |"
    for (i = 1; i <= 3; i++) {
        n = counts[i]
        print "| `ram_turning_" n "` | the whole controller with `turning` | " commas(eight["t", n]) " | " commas(sixteen["t", n]) " | " int((eight["t", n] + n - 1) / n) " | " int((sixteen["t", n] + n - 1) / n) " | none |"
    }
    print ""
    print "The nozzle table, " config " bytes a nozzle, is borrowed and may lie in flash."
}

# lines(TURNS): the rows of a machine that goes straight, or of one that turns.
function lines(turns,    i, k, name, line, ms, ns) {
    split("m4 m4 m4 m0 m0 m0", ms, " "); split("48 96 192 48 96 192", ns, " ")
    for (i = 1; i <= rows; i++) {
        name = order[i]
        if ((name ~ /^turning_/) != turns) continue
        line = "| `" name "` | " how[name]
        for (k = 1; k <= 6; k++) line = line " | " commas(most[ms[k], ns[k], name]) mark[ms[k], ns[k], name]
        print line " | " verdict(name) " | " held("m4", name) " | " held("m0", name) " |"
    }
}

function part(key, what, with, without, goal4, goal0,    t4, t0) {
    t4 = text["m4", with] - text["m4", without]; t0 = text["m0", with] - text["m0", without]
    print "| `" key "` | " what " | " commas(t4) " | " commas(rodata["m4", with] - rodata["m4", without]) " | " commas(t0) " | " commas(rodata["m0", with] - rodata["m0", without]) " | " (goal4 ? commas(goal4) " / " commas(goal0) (t4 > goal4 || t0 > goal0 ? ", missed" : ", met") : "none") " |"
}
