package sim

import (
	"bytes"
	"context"
	"encoding/binary"
	"io"
	"net"
	"os/exec"
	"strings"
	"testing"
	"time"

	"ebbwatch/collector/needtest"
)

// ask sends a frame and reads an answer of a known length.
func ask(t *testing.T, line io.ReadWriter, frame []byte, size int) []byte {
	t.Helper()
	if d, ok := line.(interface{ SetDeadline(time.Time) error }); ok {
		_ = d.SetDeadline(time.Now().Add(10 * time.Second)) // a line without deadlines still answers
	}
	if _, err := line.Write(frame); err != nil {
		t.Fatal(err)
	}
	out := make([]byte, size)
	if _, err := io.ReadFull(line, out); err != nil {
		t.Fatalf("no whole answer to % X: %v", frame, err)
	}
	return out
}

func counting() *Slave {
	return &Slave{Unit: 17, Registers: func(fn byte, address, count int) ([]uint16, byte) {
		switch {
		case address >= 1000:
			return nil, IllegalAddress
		case address == 500:
			return nil, 0
		}
		out := make([]uint16, count)
		for i := range out {
			out[i] = uint16(address + i + 1000*int(fn))
		}
		return out, 0
	}}
}

func TestSlaveRefusesWhatItMust(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ ask, want []byte }{
		"holding":              {[]byte{3, 0, 7, 0, 2}, []byte{3, 4, 0x0B, 0xBF, 0x0B, 0xC0}},
		"input":                {[]byte{4, 0, 7, 0, 1}, []byte{4, 2, 0x0F, 0xA7}},
		"no such register":     {[]byte{4, 4, 0, 0, 1}, []byte{0x84, 2}},
		"none":                 {[]byte{3, 0, 0, 0, 0}, []byte{0x83, 3}},
		"too many":             {[]byte{3, 0, 0, 0, 126}, []byte{0x83, 3}},
		"beyond the end":       {[]byte{3, 0xFF, 0xFF, 0, 2}, []byte{0x83, 2}},
		"write one register":   {[]byte{6, 0, 1, 0, 1}, []byte{0x86, 1}},
		"write many":           {[]byte{16, 0, 1, 0, 1, 2, 0, 1}, []byte{0x90, 1}},
		"coils":                {[]byte{1, 0, 0, 0, 8}, []byte{0x81, 1}},
		"silence":              {[]byte{3, 1, 0xF4, 0, 1}, nil},
		"nothing":              {nil, nil},
		"too short a question": {[]byte{3, 0, 0}, []byte{0x83, 3}},
	} {
		if got := counting().answer(c.ask); !bytes.Equal(got, c.want) {
			t.Errorf("%s: % X is answered by % X, want % X", name, c.ask, got, c.want)
		}
	}
}

// The check sum of the specification's own kind of frame: 02 07 gives 41 12 (MODBUS over
// Serial Line V1.02, 6.2.2 and its appendix).
func TestCheckSum(t *testing.T) {
	t.Parallel()
	if got := checkSum([]byte{0x02, 0x07}); got != 0x1241 {
		t.Errorf("check sum %04X, want 1241", got)
	}
}

func rtu(frame ...byte) []byte {
	return binary.LittleEndian.AppendUint16(frame, checkSum(frame))
}

func TestSerialLineFindsItsQuestions(t *testing.T) {
	t.Parallel()
	far, near := net.Pipe()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- counting().ServeRTU(ctx, near) }()
	question := rtu(17, 3, 0, 7, 0, 1)
	want := rtu(17, 3, 2, 0x0B, 0xBF)
	for name, noise := range map[string][]byte{
		"clean":              nil,
		"after noise":        {0x00, 0xFF, 0x55},
		"after another unit": rtu(9, 3, 0, 7, 0, 1),
		"after a wrong sum":  {17, 3, 0, 7, 0, 1, 0, 0},
		"after half a frame": {17, 3, 0},
	} {
		if got := ask(t, far, append(noise, question...), len(want)); !bytes.Equal(got, want) {
			t.Errorf("%s: % X, want % X", name, got, want)
		}
	}
	if got := ask(t, far, rtu(17, 16, 0, 1, 0, 1, 2, 0, 9), 5); !bytes.Equal(got, rtu(17, 0x90, 1)) {
		t.Errorf("a write is answered by % X", got)
	}
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

func TestTCPKeepsUnitsApart(t *testing.T) {
	t.Parallel()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- counting().ServeTCP(ctx, ln) }()
	conn, err := net.Dial("tcp", ln.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	got := ask(t, conn, []byte{0xAB, 0xCD, 0, 0, 0, 6, 17, 3, 0, 7, 0, 1}, 11)
	if want := []byte{0xAB, 0xCD, 0, 0, 0, 5, 17, 3, 2, 0x0B, 0xBF}; !bytes.Equal(got, want) {
		t.Errorf("% X, want % X", got, want)
	}
	got = ask(t, conn, []byte{0, 1, 0, 0, 0, 6, 5, 3, 0, 7, 0, 1}, 9)
	if want := []byte{0, 1, 0, 0, 0, 3, 5, 0x83, 11}; !bytes.Equal(got, want) {
		t.Errorf("another unit: % X, want % X", got, want)
	}
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

// A client that is not ours must read the same: python3-pymodbus (Debian), over TCP and over
// the pseudo terminal.
func TestForeignClientReadsUs(t *testing.T) {
	python := needtest.Python(t, "pymodbus.client", "serial")
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	line, err := OpenLine()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 2)
	go func() { ended <- counting().ServeTCP(ctx, ln) }()
	go func() { ended <- counting().ServeRTU(ctx, line) }()
	_, port, _ := net.SplitHostPort(ln.Addr().String())
	out, err := exec.CommandContext(ctx, python, "-c", `
import sys
from pymodbus.client import ModbusSerialClient, ModbusTcpClient
for c in (ModbusTcpClient("127.0.0.1", port=int(sys.argv[1])), ModbusSerialClient(port=sys.argv[2], baudrate=9600, timeout=5)):
    assert c.connect()
    print(c.read_holding_registers(7, 3, slave=17).registers, c.read_input_registers(0, 2, slave=17).registers,
          c.read_input_registers(1000, 2, slave=17).exception_code, c.write_register(1, 1, slave=17).exception_code)
    c.close()
`, port, line.Path).CombinedOutput()
	if want := strings.Repeat("[3007, 3008, 3009] [4000, 4001] 2 1\n", 2); err != nil || string(out) != want {
		t.Errorf("%v\n%s\nwant\n%s", err, out, want)
	}
	cancel()
	for range 2 {
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}
}
