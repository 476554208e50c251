# shellcheck shell=bash
# Shared by the scripts in this folder: source it, don't run it.
#
# Sets ROOT (the repository), TARGET (build output of the host compiler) and
# ARM_TARGET (build output for the microcontrollers), and defines helpers.

ROOT=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
TARGET=${CARGO_TARGET_DIR:-$ROOT/target}
ARM_TARGET=${CARGO_TARGET_DIR:+$CARGO_TARGET_DIR/arm}
ARM_TARGET=${ARM_TARGET:-$ROOT/target-arm}
export CARGO_TARGET_DIR=$TARGET
export CARGO_TERM_COLOR=${CARGO_TERM_COLOR:-never}

say() { printf '%s\n' "$*"; }

# die WHAT WENT WRONG: one line on stderr, then out.
die() {
    printf '%s: %s\n' "${0##*/}" "$*" >&2
    exit 1
}

# scratch: prints the path of a fresh folder that goes away with the script.
SCRATCH=
scratch() {
    if [ -z "$SCRATCH" ]; then
        SCRATCH=$(mktemp -d "${TMPDIR:-/tmp}/boom-check.XXXXXX")
        trap 'rm -rf "$SCRATCH"' EXIT
    fi
}

# apt_install REASON PACKAGE...: installs Debian packages, or fails saying why.
apt_install() {
    local reason=$1 sudo=
    shift
    command -v apt-get >/dev/null ||
        die "$reason: needs the packages '$*', and there is no apt-get here to install them with"
    if [ "$(id -u)" != 0 ]; then
        sudo=sudo
        command -v sudo >/dev/null ||
            die "$reason: run as root once: apt-get install -y --no-install-recommends $*"
    fi
    say "installing for $reason: $*"
    $sudo apt-get update -qq >/dev/null || die "$reason: apt-get update failed"
    DEBIAN_FRONTEND=noninteractive $sudo apt-get install -y -qq --no-install-recommends "$@" >/dev/null ||
        die "$reason: apt-get install of '$*' failed"
}
