package wire_test

import (
	"encoding/hex"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// The packets that packet.h sends are those of the specification, byte for byte, whatever is in them.
func TestPacketCodeOfTheHelpPage(t *testing.T) {
	if _, err := exec.LookPath("gcc"); err != nil {
		t.Skip("NOT RUN: gcc is missing. Type: apt-get install gcc")
	}
	dir := t.TempDir()
	saveFromPage(t, dir, "packet.h")
	const harness = `
#include <stdio.h>
#include <stdlib.h>
#include "packet.h"
static void send_byte(uint8_t byte) { printf("%02x", byte); }
int main(int argc, char **argv)
{
    uint32_t n[6], crc = 0xFFFFFFFF;
    static int16_t codes[4096];
    if (argc < 8) {
        for (const char *p = "123456789"; *p; p++)
            crc = crc32_take(crc, (uint8_t)*p);
        printf("%08X", ~crc);
        return 0;
    }
    for (int i = 0; i < 6; i++)
        n[i] = (uint32_t)strtoul(argv[1 + i], NULL, 10);
    for (int i = 7; i < argc; i++)
        codes[i - 7] = (int16_t)atoi(argv[i]);
    send_packet((uint8_t)n[0], (uint16_t)n[1], n[2], n[3], (uint8_t)n[4], (uint16_t)n[5], codes);
    return 0;
}
`
	if err := os.WriteFile(filepath.Join(dir, "main.c"), []byte(harness), 0o600); err != nil {
		t.Fatal(err)
	}
	run(t, dir, "gcc", "-std=c99", "-pedantic", "-Wall", "-Wextra", "-Werror", "-o", "packet", "main.c")
	send := func(t rapid.TB, p packetOf) string {
		args := []string{strconv.Itoa(int(p.flags)), strconv.Itoa(int(p.sequence)), fmt.Sprint(p.base), fmt.Sprint(p.interval),
			strconv.Itoa(int(p.channels)), strconv.Itoa(len(p.codes) / int(p.channels))}
		for _, c := range p.codes {
			args = append(args, strconv.Itoa(c))
		}
		return run(t, dir, "./packet", args...)
	}
	if got := run(t, dir, "./packet"); got != "CBF43926" {
		t.Errorf("CRC-32 of 123456789 is %s, IEEE 802.3 has CBF43926", got)
	}
	_, example, _ := strings.Cut(helpPage(t), "One whole packet:\n\n")
	example, _, _ = strings.Cut(example, "\n\n")
	example = strings.ToLower(strings.Join(strings.Fields(example), ""))
	if got := send(t, packetOf{flags: 1, channels: 1, base: 18234567, interval: 50000, codes: []int{8000, 7999, -8000}}); got != example {
		t.Errorf("sent %s, the page has %s", got, example)
	}
	rapid.Check(t, func(t *rapid.T) {
		p := packetOf{
			flags: rapid.ByteRange(0, 1).Draw(t, "first"), channels: rapid.ByteRange(1, 2).Draw(t, "channels"),
			sequence: rapid.Uint16().Draw(t, "sequence"), base: rapid.Uint32().Draw(t, "base"),
			interval: rapid.Uint32Range(1, math.MaxUint32).Draw(t, "interval"),
		}
		rows := rapid.IntRange(1, 64).Draw(t, "rows")
		p.codes = rapid.SliceOfN(rapid.IntRange(-32768, 32767), rows*int(p.channels), rows*int(p.channels)).Draw(t, "codes")
		if got, want := send(t, p), hex.EncodeToString(packet(p)); got != want {
			t.Fatalf("sent %s, want %s", got, want)
		}
	})
}

// The page's figures of what a packet and a line take are those of the program.
func TestBoardPageFigures(t *testing.T) {
	page := helpPage(t)
	for _, words := range []string{
		fmt.Sprintf("%d bytes for 64 rows, with the voltage %d", len(packet(packetOf{codes: make([]int, 64)})), len(packet(packetOf{channels: 2, codes: make([]int, 128)}))),
		fmt.Sprintf("a line of text at most %d", len("4294967295,-32768\n")),
		"100,000 bytes a second",
	} {
		if !strings.Contains(page, words) {
			t.Errorf("the page does not say %q", words)
		}
	}
}
