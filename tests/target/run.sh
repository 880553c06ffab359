#!/bin/bash
# On-target checks: the same recordings give the same digests on an emulated Cortex-M4 as on the
# host; instructions, flash, RAM and panic paths against their targets. See README.md.
#
#   run.sh [--numbers FILE]      keep the measured `name value` lines in FILE
#          [--renew]             write numbers.txt anew: what each count is with this compiler
#
#   HOPWRIGHT          a ready host binary to use instead of building one
#   CARGO_TARGET_DIR   where everything is built, instead of the usual places
#
# Exit status: 0 everything holds, 1 something does not, 2 a tool is missing.
set -euo pipefail

here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
root=$(cd "$here/../.." && pwd)
m4=thumbv7em-none-eabihf
m0=thumbv6m-none-eabi
numbers=
renew=0
passed=0
failed=0

usage() {
    sed -n '2,11s/^# \{0,1\}//p' "${BASH_SOURCE[0]}"
    exit 2
}

while (($#)); do
    case $1 in
    --numbers) numbers=${2-}; [[ -n $numbers ]] || usage; shift 2 ;;
    --renew) renew=1; shift ;;
    *) usage ;;
    esac
done

missing() {
    echo "missing: $1" >&2
    echo "   try: $2" >&2
    exit 2
}
command -v cargo >/dev/null || missing cargo "https://rustup.rs"
command -v python3 >/dev/null || missing python3 "apt-get install python3"
command -v qemu-system-arm >/dev/null || missing qemu-system-arm "apt-get install qemu-system-arm"
command -v arm-none-eabi-gcc >/dev/null ||
    missing arm-none-eabi-gcc "apt-get install gcc-arm-none-eabi"
for target in "$m4" "$m0"; do
    libraries=$(rustc --print target-libdir --target "$target")
    compgen -G "$libraries/libcore-*" >/dev/null ||
        missing "the Rust target $target" "rustup target add $target"
done

# Builds run in two folders: a relative name would mean two things.
[[ -z ${CARGO_TARGET_DIR-} ]] || export CARGO_TARGET_DIR=$(realpath -m "$CARGO_TARGET_DIR")

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

# check NAME VERDICT: counts one check; VERDICT is the status of a test.
check() {
    if (($2 == 0)); then
        passed=$((passed + 1))
        printf '  holds  %s\n' "$1"
    else
        failed=$((failed + 1))
        printf '  FAILS  %s\n' "$1"
    fi
}

# firmware_for TARGET OPTION...: builds for a target.
firmware_for() {
    (cd "$here" && cargo build --locked --release --target "$@")
}
# firmware OPTION...: builds for the Cortex-M4.
firmware() {
    firmware_for "$m4" "$@"
}
built=${CARGO_TARGET_DIR:-$here/target}
images=$built/$m4/release

# emulate IMAGE FILE [SHIFT]: runs an image, its output into FILE. A firmware that never ends is
# stopped. An instruction takes 2^SHIFT ns: 7 is for counting them, 4 about a real controller's pace.
emulate() {
    timeout 240 qemu-system-arm -M mps2-an386 -cpu cortex-m4 -icount "shift=${3-7}" \
        -semihosting-config enable=on,target=native -nographic -kernel "$images/$1" \
        </dev/null >"$2" 2>&1
}

# ---- the core alone, for both targets, with and without its features ----

echo "core alone"
for target in "$m4" "$m0"; do
    for features in "" defmt; do
        status=0
        (cd "$root" && cargo build --locked --quiet --package hopwright-core --target "$target" \
            --features "$features") || status=$?
        check "builds for $target, features: ${features:-none}" "$status"
    done
    # `hal-async` brings `hal` along.
    status=0
    combinations=0
    for hal in "" hal hal-async; do
        for interrupt in "" critical-section; do
            for others in "" defmt embedded-io defmt,embedded-io; do
                combinations=$((combinations + 1))
                (cd "$root" && cargo check --locked --quiet --package hopwright-core \
                    --target "$target" --features "$hal,$interrupt,$others") || status=$?
            done
        done
    done
    check "compiles for $target with each of $combinations combinations of features" "$status"
done

# ---- recordings, and what the host makes of them ----

host=${HOPWRIGHT-}
if [[ -z $host ]]; then
    (cd "$root" && cargo build --locked --quiet --release --package hopwright-sim)
    host=${CARGO_TARGET_DIR:-$root/target}/release/hopwright
fi
mkdir "$work/recordings"
# All stations of the built-in scenario, a run for each: they are the same run, recorded elsewhere.
"$host" run --out "$work/names" >/dev/null
mapfile -t stations < <(cut -d, -f1 "$work/names/stations.csv" | tail -n +2)
for station in "${stations[@]}"; do
    "$host" run --out "$work/run" --record "$station" >/dev/null
    mv "$work/run"/recording-*.bin "$work/recordings/"
    rm -r "$work/run"
done
export HOPWRIGHT_RECORDINGS=$work/recordings

echo "replay, host and target"
firmware --quiet --package hopwright-firmware
status=0
emulate replay "$work/replay.txt" || status=$?
check "the firmware ends by itself" "$status"
for recording in "$work/recordings"/*; do
    # "station 46: 4725 inputs, 12 events" and "digest b93c..." become one line, as on the target.
    on_host=$("$host" replay "$recording" | paste -sd' ' | sed 's/ digest/, digest/')
    status=0
    grep -qxF "$on_host" "$work/replay.txt" || status=1
    check "$on_host" "$status"
    ((status == 0)) || grep -F "${on_host%%:*}:" "$work/replay.txt" || tail -n 3 "$work/replay.txt"
done

# ---- boards: the driver loop and the hop interrupt ----

echo "boards"
firmware --quiet --package hopwright-boards
for board in rtic embassy; do
    status=0
    emulate "$board" "$work/$board.txt" 4 || status=$?
    grep -qxF '10 says: gauge ford: 41 cm and rising' "$work/$board.txt" || status=1
    check "$board: a gauge comes into step and reads what the post says" "$status"
    ((status == 0)) || tail -n 3 "$work/$board.txt"
done
status=0
emulate loaded "$work/loaded.txt" 4 || status=$?
of_loaded() { sed -n "s/^$1 //p" "$work/loaded.txt"; }
check "SysTick under load: $(of_loaded sent) of $(of_loaded slots) slots sent, $(of_loaded lapses) \
muted, none on a channel not its own" "$status"
((status == 0)) || cat "$work/loaded.txt"
status=0
emulate configured "$work/configured.txt" 4 || status=$?
check "configured: a board makes its station of what a carrier brought, sealed" "$status"
((status == 0)) || tail -n 3 "$work/configured.txt"
# Two boards on one processor, so it runs four times as fast.
status=0
emulate transceivers "$work/transceivers.txt" 2 || status=$?
check "packet transceivers on a bus, blocking with the interrupt and for executors: they call and answer" "$status"
((status == 0)) || cat "$work/transceivers.txt"
# The guide is followed to the letter: its indented commands, and then its output.
guide=$root/docs/on-your-board.md
sed -n '/^## On an emulated board/,/^## /{s/^    \$ //p}' "$guide" >"$work/commands"
sed -n '/^## On an emulated board/,/^## /{/^    \$/d;s/^    //p}' "$guide" >"$work/promised"
status=0
(cd "$root" && timeout 600 bash -e "$work/commands") </dev/null >"$work/bare.txt" 2>"$work/bare.log" ||
    status=$?
check "docs/on-your-board.md: $(wc -l <"$work/commands") commands as they stand there" "$status"
((status == 0)) || tail -n 5 "$work/bare.log" "$work/bare.txt"
status=0
[[ -s $work/promised ]] && diff "$work/promised" "$work/bare.txt" || status=1
check "and what they print" "$status"

# The project of step 0, as the guide has it, in a folder that knows nothing of this one but the core.
mkdir -p "$work/project/src"
cp "$here/boards/build.rs" "$here/boards/memory.x" "$work/project/"
# Versions as they are here: nothing newer is looked for.
cp "$here/Cargo.lock" "$work/project/"
sed -n '/^```toml$/,/^```$/{/^```/d;p}' "$guide" | sed "s|\.\./hopwright/core|$root/core|" >"$work/project/Cargo.toml"
sed -n '/^```rust,project$/,/^```$/{/^```/d;p}' "$guide" >"$work/project/src/main.rs"
status=0
(cd "$work/project" && CARGO_TARGET_DIR=$work/project/target cargo build --quiet --release --target "$m4") \
    >"$work/project.log" 2>&1 || status=$?
check "docs/on-your-board.md: the project of step 0 builds" "$status"
((status == 0)) || cat "$work/project.log"

# ---- a program in C ----

echo "C interface"
(cd "$root" && cargo run --locked --quiet --package hopwright-capi --example configurations) \
    >"$work/configurations.h"
# program FEATURES OPTION...: links the program in C with the library, of all its parts or those in `parts`.
parts=("$here"/capi/*.c)
program() {
    firmware --quiet --package hopwright-capi-library --features "$1"
    shift
    arm-none-eabi-gcc -std=c11 -Wall -Wextra -Werror -mcpu=cortex-m4 -mthumb -mfloat-abi=hard \
        -mfpu=fpv4-sp-d16 -Os -ffreestanding -nostdlib -nostartfiles -Wl,--gc-sections \
        -Wl,-z,noexecstack -I "$root/core/capi/include" -I "$work" -T "$here/capi/program.ld" "$@" \
        "${parts[@]}" "$images/libhopwright.a" -lgcc -o "$images/program" 2>"$work/link.txt"
}
status=0
program "" && emulate program "$work/program.txt" 4 || status=$?
check "a program in C ends by itself" "$status"
((status == 0)) || { echo "status $status"; cat "$work/link.txt" "$work/program.txt"; }
c_flash=none
if [[ -e $images/program ]]; then
    read -r c_flash _ < <(python3 "$here/elf_size.py" "$images/program")
fi
# line TEXT NAME: a line that the program prints when it has come so far.
line() {
    status=0
    grep -qxF "$1" "$work/program.txt" || status=1
    check "in C: $2" "$status"
}
line 'every mistake is told' "misuse of every part is told"
line 'the loader accepts a configuration of 497 bytes' "a sealed configuration comes through the loader"
line 'and says: 41 cm and rising' "a gauge reads what the post says"
line 'a message of 1000 bytes comes whole, a third of its slots lost' "a message comes whole"
line 'the hut, which is not called, has no key to it' "who is not called cannot read it"
line 'the keys change, and the hut hears no more' "keys change, and who is withdrawn is out"
line 'the hut speaks on the calling channel' "a single-channel mode"
line 'the loop of the guide brings a gauge into step, and it hears: the float is free again' \
    "the driver loop of docs/c.md"
status=0
python3 "$here/guide.py" "$root/docs/c.md" c "$here/capi" >"$work/guide.txt" || status=$?
check "docs/c.md: $(tail -n 1 "$work/guide.txt")" "$status"
((status == 0)) || cat "$work/guide.txt"
status=0
python3 "$here/guide.py" "$root/docs/on-your-board.md" rust "$here/boards/src" >"$work/guide.txt" || status=$?
check "docs/on-your-board.md: $(tail -n 1 "$work/guide.txt")" "$status"
((status == 0)) || cat "$work/guide.txt"
sed 's/hw_queue_payload(board/hw_queue_payloads(board/' "$root/docs/c.md" >"$work/other.md"
status=1
python3 "$here/guide.py" "$work/other.md" c "$here/capi" >"$work/guide.txt" || status=0
grep -q hw_queue_payloads "$work/guide.txt" || status=1
check "control: with a name that does not exist it is told" "$status"
parts=("$here"/capi/{program,guide}.c)
status=0
program "" -DGUIDE_ALONE && emulate program "$work/alone.txt" 4 || status=$?
parts=("$here"/capi/*.c)
check "the same loop by itself, without messages, changes of keys and the loader" "$status"
c_alone_flash=none
if ((status == 0)); then read -r c_alone_flash _ < <(python3 "$here/elf_size.py" "$images/program"); fi
status=0
program panic-free || status=$?
check "it links without a panic path" "$status"
status=1
if ! program panic-free,control -Wl,--undefined=hw_control &&
    grep -q a_panic_path_is_left_in_the_c_interface "$work/link.txt"; then
    status=0
fi
check "control: with an index out of range it does not" "$status"

# ---- panic paths ----

echo "panic paths"
# What the image does not refer to is not linked, and nothing is shown of it.
status=0
python3 "$here/panic-free/covered.py" >"$work/covered.txt" || status=$?
items=$(sed -n 's/ of the public interface, all .*//p' "$work/covered.txt")
check "the image refers to the whole public interface: ${items:-not to these}" "$status"
((status == 0)) || cat "$work/covered.txt"
# The image's sources less one call.
cp -r "$here/panic-free/src" "$work/image"
sed -i 's/Node::leaf(/(/' "$work/image/tree.rs"
status=0
python3 "$here/panic-free/covered.py" "$work/image" >"$work/covered.txt" || status=$?
if ((status == 1)) && grep -q ' hopwright_core::tree::Node::leaf is not in the image' "$work/covered.txt"; then
    status=0
else
    status=1
fi
check "control: less one call, the script names what is missing" "$status"
for target in "$m4" "$m0"; do
    status=0
    firmware_for "$target" --quiet --package hopwright-panic-free 2>"$work/link.txt" || status=$?
    check "for $target, the image that cannot link with a panic path links" "$status"
    ((status == 0)) || grep -E '^error|undefined symbol' "$work/link.txt" | head -3 || true
    # Only the missing symbol counts as a refusal: any other error would prove nothing, and neither
    # would the refusal of an image that does not link anyhow.
    linked=$status
    status=1
    if ! firmware_for "$target" --quiet --package hopwright-panic-free --features control \
        2>"$work/link.txt" &&
        grep -q 'undefined symbol: a_panic_path_is_left_in_the_core' "$work/link.txt"; then
        status=0
    fi
    if ((linked == 0)); then
        check "control: with an index out of range it does not" "$status"
    else
        check "control: says nothing while the image does not link" 1
    fi
done
status=0
firmware --quiet --package hopwright-panic-free --features asynchronous
python3 "$here/async_panics.py" "$images/panic-free" || status=$?
check "with asynchronous code: no panic but that of a poll after the end" "$status"
firmware --quiet --package hopwright-panic-free --features asynchronous,control
status=0
python3 "$here/async_panics.py" "$images/panic-free" >"$work/async.txt" || status=$?
if ((status == 1)) && grep -q panic_bounds_check "$work/async.txt"; then status=0; else status=1; fi
check "control: with an index out of range that is told" "$status"

# ---- numbers ----

# flash_with TARGET FEATURES BIN NAME: the flash of an image with features, less that of an empty one.
flash_with() {
    firmware_for "$1" --quiet --package hopwright-size --features "$2"
    local flash empty
    read -r flash _ < <(python3 "$here/elf_size.py" "$built/$1/release/$3")
    read -r empty _ < <(python3 "$here/elf_size.py" "$built/$1/release/empty")
    measured[$4]=$((flash - empty))
    flash_names+=("$4")
}
flash_names=()
firmware --quiet --package hopwright-size
status=0
emulate measure "$work/measure.txt" || status=$?
check "the measurements end by themselves" "$status"
((status == 0)) || tail -n 3 "$work/measure.txt"
declare -A measured
while read -r name value; do
    measured[$name]=$value
done <"$work/measure.txt"
# The same for the Cortex-M0+. Its instructions are a part of the Cortex-M4's, so the same machine runs
# them, and each counts as one on either.
firmware_for "$m0" --quiet --package hopwright-firmware --bin measure
status=0
images=$built/$m0/release emulate measure "$work/measure-m0.txt" || status=$?
check "and for the Cortex-M0+" "$status"
((status == 0)) || tail -n 3 "$work/measure-m0.txt"
while read -r name value; do
    measured[m0_$name]=$value
done <"$work/measure-m0.txt"
sed 's/^/m0_/' "$work/measure-m0.txt" >>"$work/measure.txt"
stored=configuration,manual,loader,opening
for target in "$m4" "$m0"; do
    core=
    [[ $target == "$m4" ]] || core=m0_
    flash_with "$target" "" full "${core}core_flash_bytes"
    flash_with "$target" tree full "${core}core_and_tree_flash_bytes"
    flash_with "$target" tree,messages full "${core}core_tree_and_messages_flash_bytes"
    flash_with "$target" "tree,messages,$stored" full "${core}all_flash_bytes"
    flash_with "$target" "tree,messages,$stored,drivers" full "${core}all_and_drivers_flash_bytes"
done
for part in configuration manual loader opening; do
    flash_with "$m4" "$part" provisioning "${part}_flash_bytes"
done
measured[c_program_flash_bytes]=$c_flash
measured[c_alone_flash_bytes]=$c_alone_flash
measured[c_program_stack_bytes]=$(sed -n 's/^stack: \([0-9]*\) bytes$/\1/p' "$work/program.txt")
for name in "${flash_names[@]}" c_program_flash_bytes c_alone_flash_bytes c_program_stack_bytes; do
    echo "$name ${measured[$name]}" >>"$work/measure.txt"
done
[[ -z $numbers ]] || cp "$work/measure.txt" "$numbers"

# row WHAT NAME [LIMIT]: one measured value; without a limit it is there for information only.
row() {
    local value=${measured[$2]-none} limit=${3-} verdict=" "
    if [[ -n $limit ]]; then
        if [[ $value != none ]] && ((value <= limit)); then
            verdict=holds
            passed=$((passed + 1))
        else
            verdict=FAILS
            failed=$((failed + 1))
        fi
    fi
    printf '  %-5s  %8s  %8s  %s\n' "$verdict" "$value" "${limit:+<= $limit}" "$1"
}

# short WHAT NAME TARGET KEPT: a value that misses its target, and is said to; it must not get worse
# than KEPT.
short() {
    local value=${measured[$2]-none}
    if [[ $value != none ]] && ((value > $3 && value <= $4)); then
        passed=$((passed + 1))
        printf '  %-5s  %8s  %8s  %s\n' SHORT "$value" "<= $3" "$1 (kept within $4)"
    else
        row "$1" "$2" "$3"
    fi
}

# header_costs CORE CASE...: the least and the largest cost of opening any of these headers.
header_costs() {
    local case core=$1
    shift
    for case; do
        # Without a measurement, a difference that cannot hold.
        echo "${measured[${core}header_open_${case}_least]-0}"
        echo "${measured[${core}header_open_${case}_worst]-999999}"
    done | sort -n | sed -n '1p;$p' | paste -sd' '
}
for core in "" m0_; do
    read -r open_least open_worst < <(header_costs "$core" valid corrected forged beyond_golay random)
    measured[${core}header_open_worst]=$open_worst
    measured[${core}header_open_differs_by]=$((open_worst - open_least))
    read -r open_least open_worst < <(header_costs "$core" forged beyond_golay random)
    measured[${core}header_refused_differs_by]=$((open_worst - open_least))
done

status=0
[[ ${measured[ten_no_operations]-} == 10 ]] || status=1
check "control: ten no-operations count as ten" "$status"
echo "instructions, Cortex-M4, $(rustc --version | cut -d' ' -f1-2) (instructions, not cycles)"
row "hop, balanced draw, mean of 4096 slots" hop_balanced_mean 400
row "hop, balanced draw, worst slot" hop_balanced_worst 8000
row "hop, independent draw, mean of 4096 slots" hop_independent_mean 400
row "hop, independent draw, worst slot" hop_independent_worst 8000
row "open a header: decode, decrypt, check the tag" header_open_worst 12000
row "what opening tells: the dearest less the cheapest, 640 headers" header_open_differs_by 0
row "the same on a Cortex-M0+, among 384 that do not open" m0_header_refused_differs_by 0
row "and with those that open: the outcome, which the station shows anyhow" m0_header_open_differs_by 2
row "poll, worst of the recordings: station ${measured[poll_worst_station]-?}, \
${measured[poll_worst_class]-?}" poll_worst 20000
echo "bytes"
row "flash of the link: band, sequence, clock, station" core_flash_bytes 32768
row "and the key tree" core_and_tree_flash_bytes 32768
short "and messages" core_tree_and_messages_flash_bytes 32768 41200
row "RAM of a station with 128 channels" station_bytes 4096
status=0
((${measured[stack_of_512_bytes]-0} >= 512 && ${measured[stack_of_512_bytes]-0} < 640)) || status=1
check "control: half a kilobyte on the stack is seen" "$status"
row "stack of a station: any call of the recordings" stack_station_calls 3072
row "stack of making a station" stack_station_new 16384
echo "for information (bytes)"
row "stack of opening a header" stack_header_open
row "the same three on a Cortex-M0+: calls" m0_stack_station_calls
row "making" m0_stack_station_new
row "opening" m0_stack_header_open
row "RAM of the queue to the hop interrupt, four slots" hops_bytes
row "flash of link, tree, messages, configuration, typed groups, loader and seals" all_flash_bytes
row "the same with a hop interrupt and the driver of a packet transceiver" all_and_drivers_flash_bytes
row "the same five on a Cortex-M0+: the link" m0_core_flash_bytes
row "and the key tree" m0_core_and_tree_flash_bytes
row "and messages" m0_core_tree_and_messages_flash_bytes
row "and all that is stored" m0_all_flash_bytes
row "and the drivers" m0_all_and_drivers_flash_bytes
row "flash of reading a configuration, alone" configuration_flash_bytes
row "flash of typed groups, alone" manual_flash_bytes
row "flash of the station end of the loader, alone" loader_flash_bytes
row "flash of opening what is sealed with a transfer key, alone" opening_flash_bytes
row "flash of the program in C, which calls all of the interface" c_program_flash_bytes
row "its stack, of everything that it does" c_program_stack_bytes
row "flash of the program in C with the guide's loop alone" c_alone_flash_bytes
echo "for information (instructions)"
row "hop interrupt: takes a slot" interrupt_taken
row "hop interrupt: too early, or again" interrupt_early
row "hop interrupt: nothing was prepared" interrupt_lapse
row "hop interrupt, worst: three slots of four are over" interrupt_worst
row "a transmission cleared" interrupt_transmit
row "one cipher block" word_new_block
row "one Golay word decoded" golay_decode_worst
row "a far slot, balanced draw, worst" jump_balanced_worst
row "a far slot, independent draw, worst" jump_independent_worst
row "seal a header" header_seal_worst
row "open sealed bytes, no code" header_open_sealed_valid_worst
row "poll, mean of the recordings" poll_mean
row "poll, answer unchanged" poll_unchanged_worst
row "poll while searching, worst" poll_search_worst
row "poll while following, worst" poll_verify_or_follow_worst
row "poll while watching, worst" poll_watch_worst
row "poll that sends a header, worst" poll_send_header_worst
row "poll that sends a payload, worst" poll_send_payload_worst
row "poll after hours without one, watching" poll_far_watching_worst
row "poll after hours without one, speaking" poll_far_speaking_worst
row "heard a header, worst" heard_header_worst
row "heard a payload, worst" heard_payload_worst
row "heard, dropped otherwise, worst" heard_dropped_worst
row "read a payload, worst" open_payload_worst
row "seal a message of 2312 bytes" message_seal
row "Cortex-M0+: hop, balanced draw, mean" m0_hop_balanced_mean
row "Cortex-M0+: hop, balanced draw, worst" m0_hop_balanced_worst
row "Cortex-M0+: hop, independent draw, mean" m0_hop_independent_mean
row "Cortex-M0+: hop, independent draw, worst" m0_hop_independent_worst
row "Cortex-M0+: open a header" m0_header_open_worst
row "Cortex-M0+: poll, worst" m0_poll_worst
row "Cortex-M0+: poll, mean" m0_poll_mean
row "Cortex-M0+: seal a message of 2312 bytes" m0_message_seal
row "a column of data, 97 rows" column_data_worst
row "a column of parity, (64, 24), 97 rows" column_parity_worst
row "take a column" inbox_take_worst
row "restore a row: nothing lost" row_untouched_worst
row "restore a row: 40 of 64 lost" row_40_lost_worst
row "restore a row: 20 of 64 wrong" row_20_wrong_worst
row "one piece of an inbox's work, worst" inbox_work_worst
row "all work for a message of 97 rows, 40 of 64 columns lost" message_open_all
echo "for information (bytes)"
row "RAM of an outbox for one block of 97 rows" outbox_bytes
row "RAM of an inbox for one source and such a block" inbox_one_source_bytes
echo "for information (instructions)"
row "an empty measurement, taken off all others" empty_measurement
# The same images with a line table, which tells whose every instruction is.
for target in "$m4" "$m0"; do
    name=Cortex-M4
    flash=${measured[core_tree_and_messages_flash_bytes]}
    if [[ $target == "$m0" ]]; then
        name=Cortex-M0+
        flash=${measured[m0_core_tree_and_messages_flash_bytes]}
    fi
    echo "for information (bytes of code by module, $name; what is inlined counts for whoever asked for it)"
    (cd "$here" && CARGO_PROFILE_RELEASE_DEBUG=1 cargo build --locked --release --quiet --target "$target" \
        --target-dir "$built/lines" --package hopwright-size --features tree,messages)
    status=0
    python3 "$here/flash_by_module.py" "$built/lines/$target/release/full" || status=$?
    check "every instruction has a line, and a module" "$status"
    read -r lines _ < <(python3 "$here/elf_size.py" "$built/lines/$target/release/full")
    read -r empty _ < <(python3 "$here/elf_size.py" "$built/lines/$target/release/empty")
    status=0
    ((lines - empty == flash)) || status=1
    check "the line table changes no instruction" "$status"
done

# With one compiler each count is what it was, and another one is somebody's doing: to a thousandth and four,
# for where things lie in memory depends on the folder of the checkout, and costs of copies on that.
known=$here/numbers.txt
if ((renew)); then
    {
        rustc --version
        while read -r name _; do echo "$name ${measured[$name]-none}"; done < <(tail -n +2 "$known")
    } >"$work/known.txt"
    cp "$work/known.txt" "$known"
    echo "numbers.txt is written anew"
elif [[ $(head -n 1 "$known") == "$(rustc --version)" ]]; then
    status=0
    while read -r name value; do
        found=${measured[$name]-none}
        allowed=$((value / 1000 + 4))
        if [[ $found != none ]] && ((found >= value - allowed && found <= value + allowed)); then continue; fi
        echo "           $name: $found, and was $value"
        status=1
    done < <(tail -n +2 "$known")
    check "each of $(tail -n +2 "$known" | wc -l) counts is the one in numbers.txt (--renew writes it anew)" "$status"
else
    echo "         numbers.txt is of $(head -n 1 "$known"): its counts are NOT COMPARED"
fi

echo
echo "$passed passed, $failed failed"
((failed == 0))
