# shellcheck shell=bash
# Shared by the scripts that build for the microcontrollers: source it after common.sh.
#
# arm_toolchain sets CARGO and CARGO_OPTIONS and settles ARM_TARGET; ARM_TOOLCHAIN=rustup|debian
# forces where the compiler comes from.

TARGETS=(thumbv6m-none-eabi thumbv7em-none-eabihf)
BOARDS=$ROOT/hardware-notes/boards
CARGO=()
CARGO_OPTIONS=()

# rustup_targets: 0 when the default compiler has or can get both targets.
rustup_targets() {
    local target libs
    command -v rustup >/dev/null || return 1
    for target in "${TARGETS[@]}"; do
        libs=$(rustc --print target-libdir --target "$target") || return 1
        if ! compgen -G "$libs/libcore-*.rlib" >/dev/null; then
            say "installing for the ARM build: rustup target $target"
            timeout 120 rustup target add "$target" >"$SCRATCH/rustup" 2>&1 || return 1
        fi
    done
}

# debian_compiler: Debian's compiler, which brings the source of core along.
debian_compiler() {
    local target sysroot variable
    sysroot=$(/usr/bin/rustc --print sysroot 2>/dev/null || true)
    if [ ! -x /usr/bin/cargo ] || [ ! -d "$sysroot/lib/rustlib/src/rust/library/core" ] ||
        ! command -v ld.lld >/dev/null; then
        apt_install "the ARM build" rustc-web cargo-web rust-web-src lld
        sysroot=$(/usr/bin/rustc --print sysroot)
    fi
    [ -d "$sysroot/lib/rustlib/src/rust/library/core" ] ||
        die "the ARM build: no source of core under $sysroot/lib/rustlib/src; install rust-web-src"
    # Building core from source is an unstable option of a stable compiler.
    CARGO=(env RUSTC_BOOTSTRAP=1 RUSTC=/usr/bin/rustc /usr/bin/cargo)
    CARGO_OPTIONS=(-Zbuild-std=core)
    for target in "${TARGETS[@]}"; do
        variable=CARGO_TARGET_$(tr 'a-z-' 'A-Z_' <<<"$target")_RUSTFLAGS
        export "$variable=-C linker=ld.lld -C linker-flavor=ld.lld"
    done
}

# arm_toolchain: finds or installs a compiler with both targets, and says which.
arm_toolchain() {
    scratch
    case ${ARM_TOOLCHAIN:-auto} in
        rustup) rustup_targets || die "rustup has no ARM targets: $(cat "$SCRATCH/rustup" 2>/dev/null)" && CARGO=(cargo) ;;
        debian) debian_compiler ;;
        auto) if rustup_targets; then CARGO=(cargo); else debian_compiler; fi ;;
        *) die "ARM_TOOLCHAIN is '$ARM_TOOLCHAIN'; want rustup or debian" ;;
    esac
    # The two compilers don't share an output folder: each would rebuild the other's.
    [ "${CARGO[0]}" = cargo ] || ARM_TARGET=$ARM_TARGET/debian
    if [ "${CARGO[0]}" = cargo ]; then say "compiler: $(rustc --version)"; else say "compiler: $(/usr/bin/rustc --version)"; fi
}
