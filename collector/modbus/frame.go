package modbus

import (
	"bytes"

	"ebbwatch/collector"
	"ebbwatch/collector/serial"
)

const (
	exceptionSize = 5 // unit, function, code, two bytes of check sum
	requestSize   = 8
	phantomBytes  = 3 // an idle RS-485 line may add as many bytes before an answer
)

// sound tells whether the last two bytes are the check sum of the rest.
func sound(frame []byte) bool { return len(frame) >= 4 && serial.CRC16(frame) == 0 }

// inspect looks at the bytes that came after a question. It returns the whole answer; or,
// with neither an answer nor an error, that at least need bytes in all are wanted before
// more can be said. The question is an RTU request for registers.
func inspect(request, got []byte) (frame []byte, need int, err error) {
	if echo, more := echoed(request, got); echo {
		// The adapter hears its own transmitter: the answer follows the question.
		frame, need, err = inspect1(request, got[requestSize:])
		return frame, need + requestSize, err
	} else if more {
		return nil, requestSize, nil
	}
	return inspect1(request, got)
}

// echoed tells whether got begins with the question itself, or may yet turn out to.
func echoed(request, got []byte) (echo, more bool) {
	n := min(len(got), len(request))
	if n < 3 || !bytes.Equal(got[:n], request[:n]) || header(request, got) > 0 {
		return false, false
	}
	return n == requestSize, n < requestSize
}

func inspect1(request, got []byte) (frame []byte, need int, err error) {
	for skip := range phantomBytes + 1 {
		if len(got) < skip+3 {
			return nil, max(exceptionSize, skip+3), nil
		}
		size := header(request, got[skip:])
		if size == 0 {
			continue
		}
		if len(got) < skip+size {
			return nil, skip + size, nil
		}
		frame = got[skip : skip+size]
		switch {
		case !sound(frame):
			return nil, 0, collector.Errorf(collector.CRC, "the check sum of the answer is wrong: % X", frame)
		case len(got) > skip+size:
			return nil, 0, collector.Errorf(collector.Foreign, "more follows the answer: % X", clip(got[skip+size:]))
		}
		return frame, 0, nil
	}
	return nil, 0, stranger(request, got)
}

// header is the length of the frame that the bytes begin, or 0 if they begin no answer to
// this question.
func header(request, got []byte) int {
	want := Table(request[1]).size(int(request[4])<<8 | int(request[5]))
	switch {
	case got[0] != request[0]:
		return 0
	case got[1] == request[1] && int(got[2]) == want:
		return 5 + want
	case got[1] == request[1]|0x80:
		return exceptionSize
	}
	return 0
}

// stranger says what is wrong with bytes that begin no answer to this question.
func stranger(request, got []byte) error {
	if f := firstFrame(got); f != nil {
		switch {
		case f[0] != request[0]:
			return collector.Errorf(collector.Foreign, "the answer is from unit %d", f[0])
		case f[1]&0x7F != request[1]:
			return collector.Errorf(collector.Foreign, "the answer is to function %d instead of %d", f[1]&0x7F, request[1])
		}
		return collector.Errorf(collector.Foreign, "the answer is to another question: % X", clip(f))
	}
	return collector.Errorf(collector.CRC, "what came is no answer: % X", clip(got))
}

// unfinished says what is wrong when the line fell silent before the answer was whole.
func unfinished(request, got []byte, need int) error {
	if firstFrame(got) != nil {
		return stranger(request, got)
	}
	return collector.Errorf(collector.Short, "the answer ends after %d bytes of at least %d: % X", len(got), need, clip(got))
}

// firstFrame finds the first run of bytes that is a sound frame about registers: a
// question, an answer or an exception, of any unit.
func firstFrame(p []byte) []byte {
	for i := range p {
		if f := leadingFrame(p[i:]); f != nil {
			return f
		}
	}
	return nil
}

// leadingFrame is the sound frame that the bytes begin with, or nil.
func leadingFrame(p []byte) []byte {
	for _, size := range frameSizes(p) {
		if size <= len(p) && sound(p[:size]) {
			return p[:size]
		}
	}
	return nil
}

// frameSizes lists how long a frame that begins here can be.
func frameSizes(p []byte) []int {
	if len(p) < exceptionSize {
		return nil
	}
	switch fn := p[1]; {
	case fn&0x80 != 0:
		return []int{exceptionSize}
	case fn >= 1 && fn <= 4:
		return []int{5 + int(p[2]), requestSize}
	case fn == 5 || fn == 6 || fn == 15 || fn == 16:
		return []int{requestSize}
	}
	return nil
}

// clip keeps an error readable.
func clip(p []byte) []byte { return p[:min(len(p), 16)] }
