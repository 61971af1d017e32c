# Sourced: finds the programs that tests and demo use, and installs them where that is possible.

PATH=$PATH:/usr/sbin:/usr/local/sbin

package_of() {
    case $1 in
        mosquitto) echo mosquitto ;;
        mosquitto_sub) echo mosquitto-clients ;;
        systemd-analyze) echo systemd ;;
        h5dump) echo hdf5-tools ;;
        ncdump) echo netcdf-bin ;;
        *) echo "$1" ;;
    esac
}

# ensure_programs NAME...: as root on Debian installs what is missing; otherwise says what to
# install. Fails only with CI=true.
ensure_programs() {
    local missing=() packages=() name
    for name in "$@"; do
        command -v "$name" >/dev/null 2>&1 || { missing+=("$name"); packages+=("$(package_of "$name")"); }
    done
    [ ${#missing[@]} -eq 0 ] && return 0
    if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
        echo "setup: installing ${packages[*]}" >&2
        { apt-get -qq update && DEBIAN_FRONTEND=noninteractive apt-get -qq -y \
            -o Dpkg::Use-Pty=0 install "${packages[@]}"; } >/dev/null 2>&1 || true
        missing=()
        for name in "$@"; do command -v "$name" >/dev/null 2>&1 || missing+=("$name"); done
        [ ${#missing[@]} -eq 0 ] && return 0
    fi
    echo "not found: ${missing[*]} (Debian packages: ${packages[*]}); what needs them is skipped" >&2
    if [ "${CI:-}" = true ]; then
        echo "CI=true: a missing program is an error" >&2
        return 1
    fi
}
