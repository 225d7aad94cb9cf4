#!/bin/sh
# Makes the contents of the demo board Heron with Debian's own tools.
#
#   sh recipe.sh [FOLDER]        FOLDER defaults to data/ beside this file
#
# Needs awk, gzip, xz (xz-utils), mkimage and mkenvimage (u-boot-tools), dtc
# (device-tree-compiler), mksquashfs (squashfs-tools) and mkfs.jffs2 (mtd-utils). The same
# versions of the tools give the same bytes on every run; data/tools.txt holds the versions that
# made the committed files. Everything in here is invented. Partitions are placed by heron.py.
set -eu
umask 022
export LC_ALL=C TZ=UTC

here=$(cd "$(dirname "$0")" && pwd)
out=${1:-$here/data}
mkdir -p "$out"
out=$(cd "$out" && pwd)
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cd "$work"

# Pseudo-random text: LINES of 64 hexadecimal digits from a "minimal standard" generator
# (Park and Miller 1988). The products stay below 2^53, so every awk computes the same.
noise() { # SEED LINES
    awk -v x="$1" -v lines="$2" 'BEGIN {
        for (i = 0; i < lines; i++) {
            line = ""
            for (j = 0; j < 16; j++) {
                x = (x * 16807) % 2147483647
                line = line sprintf("%04x", int(x / 16) % 65536)
            }
            print line
        }
    }'
}

# Bytes that look like machine code: a deflate stream without its gzip header and trailer.
code() { # SEED LINES
    noise "$1" "$2" | gzip -n -9 | tail -c +11 | head -c -8
}

# Quarter-hourly river stages as a data logger writes them.
readings() { # SEED LINES YEAR
    awk -v x="$1" -v lines="$2" -v year="$3" 'BEGIN {
        print "time,stage_m,water_c,battery_v"
        stage = 1200; water = 84
        for (i = 0; i < lines; i++) {
            x = (x * 16807) % 2147483647
            stage += x % 7 - 3; if (stage < 300) stage = 300
            if (x % 11 == 0) water += int(x / 64) % 3 - 1
            minute = i * 15
            day = int(minute / 1440)
            printf "%d-%02d-%02dT%02d:%02dZ,%.3f,%.1f,12.%d\n", year, int(day / 28) % 12 + 1, \
                day % 28 + 1, int(minute / 60) % 24, minute % 60, stage / 1000, water / 10, \
                4 + (day % 3)
        }
    }'
}

# Cut or fill standard input to exactly SIZE bytes, filling with FFh.
fill() { # SIZE
    size=$1
    cat >fill.in
    { cat fill.in; head -c "$size" /dev/zero | tr '\0' '\377'; } | head -c "$size"
}

stamp() { # FOLDER: one time for every file, so that no clock gets into an image
    find "$1" -exec touch -h -d "@$SOURCE_DATE_EPOCH" {} +
}

tool_versions() {
    mkimage -V
    mksquashfs -version | head -n 1 | cut -d ' ' -f 1-3
    mkfs.jffs2 --version 2>&1 | head -n 1
    dtc --version
    xz --version | head -n 1
    gzip --version | head -n 1
}

# --- boot loader -------------------------------------------------------------------------------
# 256 KiB: exception vectors, code, strings, the compiled-in environment. A NUL ends each string.
boot() { # SEED BANNER SPL_BANNER DEFAULT_ENVIRONMENT_FILE
    {
        printf '\022\000\000\352\024\360\237\345\024\360\237\345\024\360\237\345'
        code "$1" 500
        printf '\n%s\n\000Trying to boot from SPI\000' "$3"
        printf 'SPI probe failed.\n\000'
    } | fill 32768
    {
        printf '\276\000\000\352\024\360\237\345\024\360\237\345\024\360\237\345'
        code "$(($1 + 1))" 1200
        printf '\000\n\n%s\n\000' "$2"
        printf 'DRAM:  \000In:    serial\000Hit any key to stop autoboot: %%2d \000'
        printf '*** Warning - bad CRC, using default environment\n\n\000'
        printf 'card: looking for %%s\n\000'
        printf '%s\000' heronldr.bin heronfw.img
        printf 'card: %%s written to flash at 0x%%06x\n\000\000'
        tr '\n' '\000' <"$4"
        printf '\000'
        code "$(($1 + 2))" 300
    } | fill 229376
}

cat >default.txt <<'END'
bootcmd=run sdboot; run spiboot
bootdelay=2
baudrate=115200
loadaddr=0x41000000
card_loader=heronldr.bin
card_image=heronfw.img
sdboot=mmc rescan && run sdloader; run sdimage
sdloader=fatload mmc 0:1 ${loadaddr} heronldr.bin && sf probe && sf update ${loadaddr} 0 ${filesize}
sdimage=fatload mmc 0:1 ${loadaddr} heronfw.img && sf probe && sf update ${loadaddr} 0 ${filesize}
spiboot=sf probe && sf read 0x42000000 0x70000 0x190000 && sf read 0x43000000 0x60000 0x10000 && bootm 0x42000000 - 0x43000000
END
banner='U-Boot 2019.07 (Aug 14 2019 - 09:12:31 +0000) heron-gauge'
boot 19070 "$banner" 'U-Boot SPL 2019.07 (Aug 14 2019 - 09:12:31 +0000)' default.txt |
    xz -6 -C crc32 >"$out/factory-boot.xz"

sed -e 's/^bootdelay=.*/bootdelay=5/' default.txt >default-open.txt
open_banner='U-Boot 2024.04 (May 18 2024 - 00:00:00 +0000) heron-open'
boot 24040 "$open_banner" 'U-Boot SPL 2024.04 (May 18 2024 - 00:00:00 +0000)' default-open.txt |
    xz -6 -C crc32 >"$out/open-boot.xz"

# --- environment -------------------------------------------------------------------------------
parts='heron-spi:256k(boot),64k(env),64k(factory),64k(dtb),1600k(kernel),2m(rootfs),256k(config),3m(readings),768k(spare)'
cat >factory-env.txt <<END
bootcmd=run sdboot; run spiboot
bootdelay=2
baudrate=115200
bootargs=console=ttyS0,115200n8 root=/dev/mtdblock5 rootfstype=squashfs ro mtdparts=$parts
mtdparts=mtdparts=$parts
console=ttyS0,115200n8
ethaddr=00:00:5e:00:53:17
serial#=HG-2019-0023
board_name=heron-gauge
loadaddr=0x41000000
sdboot=mmc rescan && run sdloader; run sdimage
sdloader=fatload mmc 0:1 \${loadaddr} heronldr.bin && sf probe && sf update \${loadaddr} 0 \${filesize}
sdimage=fatload mmc 0:1 \${loadaddr} heronfw.img && sf probe && sf update \${loadaddr} 0 \${filesize}
spiboot=sf probe && sf read 0x42000000 0x70000 0x190000 && sf read 0x43000000 0x60000 0x10000 && bootm 0x42000000 - 0x43000000
stdin=serial
stdout=serial
stderr=serial
END
grep -v -e '^ethaddr=' -e '^serial#=' factory-env.txt |
    sed -e 's/^bootdelay=.*/bootdelay=5/' -e 's/^board_name=.*/board_name=heron-open/' >open-env.txt
for name in factory open; do
    mkenvimage -s 0x10000 -o env.bin "$name-env.txt"
    xz -6 -C crc32 <env.bin >"$out/$name-env.xz"
done

# --- device tree -------------------------------------------------------------------------------
tree() { # MODEL COMPATIBLE
    cat <<END
/dts-v1/;
/ {
    #address-cells = <1>;
    #size-cells = <1>;
    model = "$1";
    compatible = "$2", "heron,gauge";
    chosen { stdout-path = "serial0:115200n8"; };
    aliases { serial0 = "/soc/serial@1c28000"; spi0 = "/soc/spi@1c68000"; };
    memory@40000000 { device_type = "memory"; reg = <0x40000000 0x04000000>; };
    soc {
        compatible = "simple-bus";
        #address-cells = <1>;
        #size-cells = <1>;
        ranges;
        serial@1c28000 { compatible = "ns16550a"; reg = <0x1c28000 0x400>; };
        spi@1c68000 {
            compatible = "heron,spi";
            reg = <0x1c68000 0x1000>;
            #address-cells = <1>;
            #size-cells = <0>;
            flash@0 {
                compatible = "jedec,spi-nor";
                reg = <0>;
                spi-max-frequency = <40000000>;
            };
        };
        gauge@1c2ac00 { compatible = "heron,pressure-transducer"; reg = <0x1c2ac00 0x400>; };
    };
};
END
}
tree 'Heron stream gauge' 'heron,gauge-2019' | dtc -q -I dts -O dtb -o "$out/factory.dtb" -
tree 'Heron stream gauge, open firmware' 'heron,gauge-open' |
    dtc -q -I dts -O dtb -o "$out/open.dtb" -

# --- kernels -----------------------------------------------------------------------------------
export SOURCE_DATE_EPOCH=1565773951 # 2019-08-14 09:12:31 UTC
{
    echo 'Linux version 4.14.138 (build@heron) (gcc version 8.3.0) #1 PREEMPT Wed Aug 14 09:12:31 UTC 2019'
    noise 4014 6000
} | xz --format=lzma -6 >kernel.lzma
mkimage -A arm -O linux -T kernel -C lzma -a 0x40008000 -e 0x40008000 \
    -n 'Linux-4.14.138 heron' -d kernel.lzma "$out/factory-kernel.uimage" >/dev/null

# --- root file systems -------------------------------------------------------------------------
root() { # FOLDER VERSION SEED LINES
    mkdir -p "$1/bin" "$1/etc/init.d" "$1/lib/firmware" "$1/mnt/config" "$1/mnt/readings" \
        "$1/tmp" "$1/usr/sbin" "$1/usr/share/heron/rating" "$1/www"
    printf 'Heron stream gauge, firmware %s\n' "$2" >"$1/etc/banner"
    printf '%s\n' "$2" >"$1/etc/version"
    printf 'root:x:0:0:root:/root:/bin/sh\ngauge:x:100:100:gauge:/tmp:/bin/false\n' >"$1/etc/passwd"
    printf '/dev/mtdblock6 /mnt/config jffs2 rw 0 0\n/dev/mtdblock7 /mnt/readings jffs2 rw 0 0\n' \
        >"$1/etc/fstab"
    printf '#!/bin/sh\nmount -a\n/usr/sbin/gauged --every 900 &\n' >"$1/etc/init.d/S20gauge"
    chmod 755 "$1/etc/init.d/S20gauge"
    noise "$3" "$4" >"$1/bin/busybox"
    noise "$(($3 + 1))" 400 >"$1/usr/sbin/gauged"
    chmod 755 "$1/bin/busybox" "$1/usr/sbin/gauged"
    ln -s busybox "$1/bin/sh"
    noise "$(($3 + 2))" 600 >"$1/lib/firmware/radio.fw"
    for bend in alder bittern cress; do
        awk -v k="${#bend}" 'BEGIN { for (h = 10; h < 400; h++)
            printf "%.2f,%.3f\n", h / 100, k * (h / 100) ^ 1.5 }' >"$1/usr/share/heron/rating/$bend.csv"
    done
    printf '<!doctype html><title>Heron</title><h1>Stream gauge</h1><p id="stage"></p>\n' \
        >"$1/www/index.html"
    stamp "$1"
}
root factory-root 1.4.2 1420 5000
mksquashfs factory-root "$out/factory-rootfs.squashfs" -comp xz -b 262144 -all-root -noappend \
    -no-xattrs -processors 1 -quiet -no-progress >/dev/null

# --- settings and logged readings --------------------------------------------------------------
mkdir -p config/wifi config/site
cat >config/wifi/network.conf <<'END'
network={
    ssid="heron-field"
    psk="invented-passphrase-never-used"
}
END
cat >config/site/station.conf <<'END'
station=Alder Bend footbridge
interval_s=900
datum_m=41.207
contact=volunteers@heron.example
END
printf 'rating=alder\noffset_mm=-12\n' >config/site/rating.conf
stamp config
mkfs.jffs2 -l -e 64KiB -q --pad=0x40000 -d config -o config.jffs2 2>/dev/null
xz -6 -C crc32 <config.jffs2 >"$out/factory-config.xz"

mkdir readings
for year in 2019 2020 2021; do
    readings "$year" 22000 "$year" >"readings/stage-$year.csv"
done
stamp readings
mkfs.jffs2 -l -e 64KiB -q -m none -d readings -o readings.jffs2 2>/dev/null
xz -6 -C crc32 <readings.jffs2 >"$out/factory-readings.xz"

# --- the open firmware -------------------------------------------------------------------------
export SOURCE_DATE_EPOCH=1715990400 # 2024-05-18 00:00:00 UTC
{
    echo 'Linux version 6.6.31 (build@heron-open) (gcc version 13.2.0) #1 PREEMPT Sat May 18 00:00:00 UTC 2024'
    noise 6631 5000
} | gzip -n -9 >kernel.gz
mkimage -A arm -O linux -T kernel -C gzip -a 0x40008000 -e 0x40008000 \
    -n 'Linux-6.6.31 heron-open' -d kernel.gz "$out/open-kernel.uimage" >/dev/null
root open-root 24.05 2405 3200
mksquashfs open-root "$out/open-rootfs.squashfs" -comp gzip -b 131072 -all-root -noappend \
    -no-xattrs -processors 1 -quiet -no-progress >/dev/null

tool_versions >"$out/tools.txt"
