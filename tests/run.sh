#!/bin/sh
# Runs every check of this project, from a fresh clone on Debian:
#
#     sh tests/run.sh [arguments for pytest]
#
# Makes a virtual environment in .venv, installs what the tests call where it may (as root or
# through sudo without a password), says what is still missing, then runs ruff, mypy and pytest.
# Environment: CI=true makes a missing tool a failure; SPIFLASH_SWEEP=full runs the long sweeps;
# PYTHON names another interpreter, 3.11 or newer.
set -eu
cd "$(dirname "$0")/.."

venv=.venv
stamp=$venv/installed-for
# One line a program: the program, the Debian package it comes from.
programs='qemu-system-arm qemu-system-arm
mkimage u-boot-tools
dumpimage u-boot-tools
mkenvimage u-boot-tools
mksquashfs squashfs-tools
unsquashfs squashfs-tools
mkfs.jffs2 mtd-utils
jffs2dump mtd-utils
sumtool mtd-utils
mkfs.ubifs mtd-utils
ubinize mtd-utils
dtc device-tree-compiler
fdtget device-tree-compiler
decode-dimms i2c-tools
arm-none-eabi-as binutils-arm-none-eabi
xz xz-utils
gzip gzip
mkfs.cramfs util-linux-extra
genromfs genromfs
bzip2 bzip2
zstd zstd
lz4 lz4
lzop lzop
mke2fs e2fsprogs
mkfs.fat dosfstools
sfdisk fdisk
openssl openssl
readelf binutils
sha256sum coreutils
fw_printenv libubootenv-tool
initdb postgresql
runuser util-linux
chromium chromium
tshark tshark
usbip usbip
cpio cpio
mkfs.erofs erofs-utils'

# What the full sweep needs besides: a kernel to run in a guest.
[ "${SPIFLASH_SWEEP:-}" != full ] || programs="$programs
qemu-system-x86_64 qemu-system-x86
busybox busybox-static
modprobe kmod"

say() { printf '%s\n' "run.sh: $*" >&2; }

# Debian keeps some of these where only root looks.
PATH=$PATH:/usr/local/sbin:/usr/sbin:/sbin
export PATH
find_servers() {
    for folder in /usr/lib/postgresql/*/bin; do
        [ ! -d "$folder" ] || PATH=$PATH:$folder
    done
}
find_servers

may_install() {
    command -v apt-get >/dev/null 2>&1 || return 1
    if [ "$(id -u)" -eq 0 ]; then
        as_root=
    elif command -v sudo >/dev/null 2>&1 && sudo -n true 2>/dev/null; then
        as_root='sudo -n'
    else
        return 1
    fi
}

# Runs apt-get, and waits up to 15 minutes while another apt is at work, as on a machine that has
# just started. DPkg::Lock::Timeout makes apt wait for dpkg's lock; for the locks of its package
# lists and archives it does not wait, so that it is called again.
run_apt() {
    log=$(mktemp)
    tries=180
    while :; do
        $as_root env LC_ALL=C DEBIAN_FRONTEND=noninteractive \
            apt-get -q -y -o DPkg::Lock::Timeout=900 "$@" </dev/null >"$log" 2>&1 && result=0 ||
            result=$?
        cat "$log" >&2
        tries=$((tries - 1))
        if [ "$result" -eq 0 ] || [ "$tries" -eq 0 ] || ! grep -q 'Could not get lock' "$log"; then
            rm -f "$log"
            return "$result"
        fi
        say 'another apt is at work; trying again in 5 s'
        sleep 5
    done
}

install_packages() {
    say "installing $*"
    run_apt install --no-install-recommends "$@" && return
    say 'once more, with fresh package lists'
    run_apt update || say 'the package lists could not be refreshed'
    run_apt install --no-install-recommends "$@" && return
    say 'now one by one, since one that fails takes the others down'
    for package in "$@"; do
        run_apt install --no-install-recommends "$package" || say "$package could not be installed"
    done
}

# Unpacks Debian's kernel for the guest of tests/references/kernel_guest.py; it is not installed.
unpack_kernel() {
    export SPIFLASH_GUEST_KERNEL="$PWD/$venv/guest-kernel"
    [ ! -d "$SPIFLASH_GUEST_KERNEL/boot" ] || return 0
    package=$(apt-cache depends linux-image-amd64 | sed -n 's/.*Depends: *//p' | head -n 1)
    folder=$(mktemp -d)
    (cd "$folder" && apt-get -q download "$package" >&2) &&
        dpkg-deb -x "$folder"/*.deb "$SPIFLASH_GUEST_KERNEL" ||
        say 'no kernel for the guest could be had'
    rm -rf "$folder"
}

# Prints the first (of $1: "program", "package") column of every program that is missing.
missing() {
    printf '%s\n' "$programs" | while read -r program package; do
        command -v "$program" >/dev/null 2>&1 && continue
        if [ "$1" = package ]; then echo "$package"; else echo "$program"; fi
    done | sort -u
}

python_works() {
    "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1
}

find_python() {
    for candidate in ${PYTHON:-} python3 python3.14 python3.13 python3.12 python3.11; do
        if python_works "$candidate"; then
            echo "$candidate"
            return
        fi
    done
    say 'no Python 3.11 or newer was found; name one with PYTHON=...'
    return 1
}

make_environment() {
    # The path counts too: an editable install points at the tree it was made in.
    wanted=$(pwd; "$1" --version; sha256sum pyproject.toml)
    if [ -x $venv/bin/pytest ] && [ "$(cat $stamp 2>/dev/null)" = "$wanted" ]; then
        return
    fi
    say "making $venv with $("$1" --version)"
    rm -rf $venv
    "$1" -m venv $venv
    $venv/bin/python -m pip install --quiet --disable-pip-version-check \
        --editable '.[tests]' </dev/null >&2
    printf '%s\n' "$wanted" >$stamp
}

packages=$(missing package)
python=$(find_python)
"$python" -c 'import ensurepip, venv' 2>/dev/null || packages="$packages python3-venv"
if [ -n "$packages" ]; then
    if may_install; then
        # shellcheck disable=SC2086  # one word a package
        install_packages $packages
    else
        say "not installed, for lack of root or a sudo without password: $(echo $packages)"
    fi
fi
find_servers
absent=$(missing program)
if [ -n "$absent" ]; then
    say "missing: $(echo $absent)"
    case ${CI:-} in
        1 | true | yes)
            say 'with CI=true a missing tool is a failure'
            exit 1
            ;;
    esac
    say "the checks that need them are left out; pytest's closing summary lists them"
fi

make_environment "$python"

if [ "${SPIFLASH_SWEEP:-}" = full ] && [ -z "${SPIFLASH_GUEST_KERNEL:-}" ]; then
    unpack_kernel
fi

status=0
$venv/bin/ruff check . || status=1
$venv/bin/ruff format --check . || status=1
$venv/bin/mypy || status=1
[ "$status" -eq 0 ] || say 'ruff or mypy found something; the tests run all the same'

workers=$(nproc 2>/dev/null || echo 1)
[ "$workers" -le 4 ] || workers=4
$venv/bin/python -m pytest -n "$workers" --dist worksteal "$@" </dev/null || status=1
[ "$status" -eq 0 ] || say 'failed'
exit "$status"
