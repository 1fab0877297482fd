# Sourced by deploy/install and deploy/uninstall: where things are, and the steps that both need.
# ROOT is empty on a real machine; tests put a folder there. DRY is "yes" where nothing may change.
# shellcheck shell=sh disable=SC2034

NAME=canister-monitor
ROOT=${ROOT:-}
DRY=${DRY:-}

name_places() {
    APP=$ROOT/opt/$NAME
    CONFIG_FOLDER=$ROOT/etc/$NAME
    CONFIG=$CONFIG_FOLDER/canister.toml
    DATA=$ROOT/var/lib/$NAME
    UNIT_FILE=$ROOT/etc/systemd/system/$NAME.service
    PAGE_NAME=canister-page
    PAGE_DATA=$ROOT/var/lib/$PAGE_NAME
    PAGE_UNIT_FILE=$ROOT/etc/systemd/system/$PAGE_NAME.service
    WATCHDOG_FILE=$ROOT/etc/systemd/system.conf.d/$NAME.conf
    GPIO_RULE=$ROOT/etc/udev/rules.d/60-$NAME-gpio.rules
    COMMAND=$ROOT/usr/local/bin/canister
    BLOCK_BEGIN="# $NAME: begin, deploy/uninstall takes it out again"
    BLOCK_END="# $NAME: end"
}

line() { printf '%-14s %s\n' "$1" "$2"; }

warn() { printf '%s\n' "$*" >&2; }

fail() {
    warn "$*"
    exit 1
}

wrong() {
    warn "$*"
    exit 2
}

# doing PART WHAT : says what is done; false where it must not be done.
doing() {
    if [ -n "$DRY" ]; then
        line "$1" "would be done: $2"
        return 1
    fi
    line "$1" "$2"
}

must_be_root() {
    [ -n "$DRY" ] || [ -n "$ROOT" ] || [ "$(id -u)" -eq 0 ] ||
        fail "this changes the system: run it with sudo (or look first with --dry-run)"
}

# True where systemd runs, so not in a chroot or while an image is built.
systemd_runs() { [ -d "$ROOT/run/systemd/system" ]; }

# put_file SOURCE TARGET MODE
put_file() {
    [ -d "$(dirname "$2")" ] || mkdir -p "$(dirname "$2")"
    # Whole or not at all, also when the power goes.
    cp "$1" "$2.new"
    chmod "$3" "$2.new"
    sync "$2.new"
    mv "$2.new" "$2"
}

on_a_pi() {
    grep -qa 'Raspberry Pi' "$ROOT/proc/device-tree/model" 2>/dev/null
}

# The boot loader's configuration. Since bookworm it lies in /boot/firmware, and /boot/config.txt
# is only a note that says so.
boot_config() {
    for file in "$ROOT/boot/firmware/config.txt" "$ROOT/boot/config.txt"; do
        if [ -f "$file" ]; then
            printf '%s\n' "$file"
            return 0
        fi
    done
    return 1
}

# overlay_on PIN : switches the 1-Wire bus on, once. Sets REBOOT where that needs a new start.
overlay_on() {
    if ! on_a_pi; then
        line "1-wire" "not a Raspberry Pi: nothing to do"
        return 0
    fi
    file=$(boot_config) || {
        line "1-wire" "no config.txt in /boot/firmware or /boot: add dtoverlay=w1-gpio where your boot loader reads it"
        return 0
    }
    shown=${file#"$ROOT"}
    if grep -Eq '^[[:space:]]*dtoverlay=w1-gpio' "$file"; then
        line "1-wire" "the overlay is in $shown already"
    elif doing "1-wire" "overlay put into $shown, the file of before kept beside it"; then
        kept=$file.before-$NAME
        [ -e "$kept" ] || cp "$file" "$kept"
        {
            cat "$file"
            # An unfinished last line, or a section such as [pi3] above, must not swallow ours.
            printf '\n%s\n[all]\ndtoverlay=w1-gpio,gpiopin=%s\n%s\n' "$BLOCK_BEGIN" "$1" "$BLOCK_END"
        } >"$file.new"
        sync "$file.new"
        mv "$file.new" "$file"
    fi
    if [ -d "$ROOT/sys/bus/w1/devices" ]; then
        line "1-wire" "the bus is there"
    else
        REBOOT=yes
        line "1-wire" "the bus is not there yet: it comes with the next boot"
    fi
}

# overlay_off : takes out what overlay_on put in, and nothing else.
overlay_off() {
    file=$(boot_config) || return 0
    grep -qxF "$BLOCK_BEGIN" "$file" || return 0
    shown=${file#"$ROOT"}
    grep -qxF "$BLOCK_END" "$file" || {
        line "1-wire" "$shown: our block has lost its last line; take out dtoverlay=w1-gpio by hand"
        return 0
    }
    doing "1-wire" "overlay taken out of $shown" || return 0
    awk -v begin="$BLOCK_BEGIN" -v end="$BLOCK_END" '
        $0 == begin { inside = 1; if (held && last == "") held = 0 }
        !inside { if (held) print last; last = $0; held = 1 }
        $0 == end { inside = 0 }
        END { if (held) print last }
    ' "$file" >"$file.new"
    sync "$file.new"
    mv "$file.new" "$file"
    kept=$file.before-$NAME
    # The copy has done its work where the file is again what it was.
    if [ -e "$kept" ] && cmp -s "$kept" "$file"; then rm -f "$kept"; fi
}
