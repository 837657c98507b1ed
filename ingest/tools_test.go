package ingest

import (
	"encoding/binary"
	"fmt"
)

// The frames of the three invented tools, written by hand from the protocol
// notes in profiles/*.md.

// velm returns the frame of an S5: hundredths of N·m, 840 ms, status good.
func velm(number, hundredths int) []byte {
	body := fmt.Sprintf("T%06d+%07d1000840", number, hundredths)
	return fmt.Appendf(nil, "\x02%s%04X\x03", body, crcModbus([]byte(body)))
}

// velmAnswer is what an S5 waits for.
func velmAnswer(number int) []byte { return fmt.Appendf(nil, "\x06%06d\r", number) }

// crcModbus is CRC-16/MODBUS: polynomial 8005 reflected, begun with FFFF. Its
// check value for "123456789" is 4B37 (reveng.sourceforge.io, catalogue of
// parametrised CRC algorithms; from memory).
func crcModbus(b []byte) uint16 {
	crc := uint16(0xFFFF)
	for _, c := range b {
		crc ^= uint16(c)
		for range 8 {
			low := crc & 1
			crc >>= 1
			if low == 1 {
				crc ^= 0xA001
			}
		}
	}
	return crc
}

// orrin returns the line of a K2: value "026,00" in lbf·ft, angle 15.5°.
func orrin(counter int, value string) []byte {
	body := fmt.Sprintf("%04d;P;+%s;FTLB;A0155;OK", counter, value)
	sum := byte(0)
	for _, c := range []byte(body) {
		sum += c
	}
	return fmt.Appendf(nil, "#%s*%02X\r\n", body, sum)
}

// pinn returns the frame of a D3 in millimetres: value in 0.001 mm.
func pinn(n byte, value int32) []byte {
	f := []byte{0xA5, 0}
	f = binary.BigEndian.AppendUint32(f, uint32(value))
	f = append(f, n)
	xor := byte(0)
	for _, c := range f {
		xor ^= c
	}
	return append(f, xor)
}
