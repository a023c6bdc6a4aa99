package broker

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/iotest"
)

const (
	connect311 = "\x10\x0f\x00\x04MQTT\x04\x02\x00\x00\x00\x03box"
	connect31  = "\x10\x11\x00\x06MQIsdp\x03\x02\x00\x00\x00\x03box"
	connect5   = "\x10\x10\x00\x04MQTT\x05\x02\x00\x00\x00\x00\x03box"
	ping       = "\xc0\x00"
)

// publish has a remaining length below 16384.
func publish(flags byte, topic, id, payload string) string {
	n := 2 + len(topic) + len(id) + len(payload)
	head := string([]byte{0x30 | flags, byte(n)})
	if n > 127 {
		head = string([]byte{0x30 | flags, byte(n&0x7f) | 0x80, byte(n >> 7)})
	}
	return head + "\x00" + string(rune(len(topic))) + topic + id + payload
}

func TestOversizePacketsAreReplaced(t *testing.T) {
	const limit = 300
	large := strings.Repeat("x", 500)
	fits := publish(2, "t", "\x00\x05", strings.Repeat("x", limit-1-2-1-2))
	tooLong := publish(2, "t", "\x00\x05", strings.Repeat("x", limit-2-1-2))
	stub := func(flags byte, id string) string { return publish(flags, oversizeTopic, id, "") }
	for _, c := range []struct{ name, in, want, told string }{
		{"nothing", "", "", ""},
		{"as it should be", connect311 + ping + publish(2, "a/b", "\x00\x07", "hello") + ping, connect311 + ping + publish(2, "a/b", "\x00\x07", "hello") + ping, ""},
		{"at the limit", connect311 + fits + ping, connect311 + fits + ping, ""},
		{"beyond the limit", connect311 + tooLong + ping, connect311 + stub(2, "\x00\x05") + ping, "t 300; "},
		{"QoS 0, retained", connect311 + publish(1, "a/b", "", large) + ping, connect311 + stub(0, "") + ping, "a/b 505; "},
		{"QoS 2, sent again", connect31 + publish(0xc, "a/b", "\x00\x07", large), connect31 + stub(0xc, "\x00\x07"), "a/b 507; "},
		{"two", connect311 + publish(2, "a", "\x00\x01", large) + publish(2, "b", "\x00\x02", large), connect311 + stub(2, "\x00\x01") + stub(2, "\x00\x02"), "a 505; b 505; "},
		{"MQTT 5 is left to the library", connect5 + publish(2, "a", "\x00\x01", large), connect5 + publish(2, "a", "\x00\x01", large), ""},
		{"before CONNECT", publish(2, "a", "\x00\x01", large), publish(2, "a", "\x00\x01", large), ""},
		{"another large packet", connect311 + "\x82\x80\x04" + large, connect311 + "\x82\x80\x04" + large, ""},
	} {
		for name, slow := range map[string]func(io.Reader) io.Reader{"at once": func(r io.Reader) io.Reader { return r }, "byte by byte": iotest.OneByteReader, "in halves": iotest.HalfReader} {
			t.Run(c.name+", "+name, func(t *testing.T) {
				told := ""
				s := &shrinker{src: bufio.NewReader(slow(strings.NewReader(c.in))), limit: limit, told: func(topic string, size int) { told += fmt.Sprint(topic, " ", size, "; ") }}
				got, err := io.ReadAll(s)
				if err != nil && err != io.ErrUnexpectedEOF {
					t.Fatal(err)
				}
				if string(got) != c.want || told != c.told {
					t.Errorf("in %.80q\ngot  %.80q told %q\nwant %.80q told %q", c.in, got, told, c.want, c.told)
				}
			})
		}
	}
}

func TestWhatHasArrivedDoesNotWait(t *testing.T) {
	// A whole packet and the first byte of the next: the first must come through.
	r, w := io.Pipe()
	defer func() { _ = r.Close() }()
	s := &shrinker{src: bufio.NewReader(r), limit: 300, told: func(string, int) {}}
	go func() { _, _ = w.Write([]byte(connect311 + ping + "\xc0")) }()
	var got []byte
	buf := make([]byte, 100)
	for len(got) < len(connect311+ping) {
		n, err := s.Read(buf)
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, buf[:n]...)
	}
	if string(got) != connect311+ping {
		t.Errorf("got %q", got)
	}
}

func FuzzShrinker(f *testing.F) {
	f.Add([]byte(connect311+ping+publish(2, "a/b", "\x00\x07", "hello")), 300, 7)
	f.Add([]byte(connect311+publish(2, "a/b", "\x00\x07", strings.Repeat("x", 400))), 300, 64)
	f.Add([]byte("\x10\xff\xff\xff\xff\xff"), 5, 1)
	f.Fuzz(func(t *testing.T, in []byte, limit, chunk int) {
		if chunk < 1 || chunk > 4096 {
			return
		}
		replaced := false
		s := &shrinker{src: bufio.NewReader(bytes.NewReader(in)), limit: limit, told: func(string, int) { replaced = true }}
		var got []byte
		buf := make([]byte, chunk)
		for range 10 * (len(in) + 10) {
			n, err := s.Read(buf)
			got = append(got, buf[:n]...)
			if err != nil {
				if !replaced && !bytes.HasPrefix(in, got) {
					t.Fatalf("in %q: got %q with nothing replaced", in, got)
				}
				return
			}
		}
		t.Fatalf("in %q: no end", in)
	})
}
