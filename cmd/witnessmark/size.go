package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

var sizeUnits = []struct {
	name  string
	bytes float64
}{
	{"TiB", 1 << 40}, {"GiB", 1 << 30}, {"MiB", 1 << 20}, {"KiB", 1 << 10},
	{"TB", 1e12}, {"GB", 1e9}, {"MB", 1e6}, {"kB", 1e3}, {"B", 1},
}

// parseSize reads a number of bytes with a unit, such as "256 MiB" or "2GB".
func parseSize(s string) (uint64, error) {
	for _, u := range sizeUnits {
		num, ok := strings.CutSuffix(s, u.name)
		if !ok {
			continue
		}
		v, err := strconv.ParseFloat(strings.TrimSpace(num), 64)
		if err != nil || !(v >= 0 && v*u.bytes < math.MaxInt64) {
			break
		}
		return uint64(v * u.bytes), nil
	}
	return 0, fmt.Errorf("read size %q: want a number and B, kB, KiB, MB, MiB, GB, GiB, TB or TiB, such as 256 MiB", s)
}

// formatSize writes a number of bytes with a binary unit.
func formatSize(n uint64) string {
	for _, u := range sizeUnits[:4] {
		if float64(n) >= u.bytes {
			return fmt.Sprintf("%.1f %s", float64(n)/u.bytes, u.name)
		}
	}
	return fmt.Sprintf("%d B", n)
}
