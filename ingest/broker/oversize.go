package broker

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// oversizeTopic stands on the packet that an oversize one is replaced by. The hook
// acknowledges it and does nothing else.
const oversizeTopic = "oversize"

// shrinker reads a client's stream and replaces each PUBLISH beyond the limit with an
// empty one of the same packet id, without ever holding its payload. The library can
// only disconnect the sender, which then sends the same packet again for ever and
// nothing else; so it can be acknowledged, counted and told with its topic.
//
// MQTT 5 clients are told the limit when they connect. One that does not keep to it is
// left to the library.
type shrinker struct {
	src     *bufio.Reader
	limit   int
	told    func(topic string, size int)
	version byte   // protocol level of the CONNECT, 0 before it
	pending []byte // to be read before anything else
	pass    int    // bytes of the present packet that go through as they are
}

// PUBLISH and CONNECT in the fixed header (MQTT 3.1.1 section 2.2).
const (
	typeConnect = 1
	typePublish = 3
	retainBit   = 1
	version5    = 5
)

var errBadPublish = errors.New("a PUBLISH packet is shorter than its own topic")

// Read fills p with whole packets as far as they have arrived.
func (s *shrinker) Read(p []byte) (int, error) {
	n := 0
	for n < len(p) {
		switch {
		case len(s.pending) > 0:
			k := copy(p[n:], s.pending)
			s.pending = s.pending[k:]
			n += k
		case n > 0 && s.src.Buffered() == 0:
			return n, nil
		case s.pass > 0:
			k, err := s.src.Read(p[n:min(len(p), n+s.pass)])
			s.pass -= k
			n += k
			if err != nil {
				return n, err
			}
		default:
			head, size, err := s.head(n > 0)
			if err != nil || head == nil {
				return n, err // with no head there is something in p already
			}
			tooLarge := head[0]>>4 == typePublish && size+1 > s.limit && s.version != 0 && s.version < version5
			if tooLarge && n > 0 {
				return n, nil // what is ready must not wait for what may take long
			}
			s.pending = append(s.pending[:0], head...)
			if _, err := s.src.Discard(len(head)); err != nil {
				return n, err
			}
			if tooLarge {
				if err := s.replace(size); err != nil {
					return n, err
				}
				continue
			}
			s.pass = size
			if head[0]>>4 == typeConnect && s.version == 0 {
				s.connect(size)
			}
		}
	}
	return n, nil
}

// head peeks at a fixed header: its bytes and the remaining length. If it has not
// arrived in full it is waited for, or nil is returned where that must not be.
func (s *shrinker) head(mustNotWait bool) (head []byte, size int, err error) {
	for k := 2; ; k++ {
		if mustNotWait && s.src.Buffered() < k {
			return nil, 0, nil
		}
		b, err := s.src.Peek(k)
		if err != nil {
			return nil, 0, err
		}
		last := b[k-1]
		size |= int(last&0x7f) << (7 * (k - 2))
		// A fifth byte of length is an error, which the library finds.
		if last&0x80 == 0 || k == 5 {
			return b, size, nil
		}
	}
}

// connect notes the protocol level (MQTT 3.1.1 section 3.1.2.2).
func (s *shrinker) connect(size int) {
	s.version = version5 // nothing is replaced for whom we do not understand
	const longestName = len("MQIsdp")
	b, err := s.src.Peek(min(size, 2+longestName+1))
	if err != nil || len(b) < 2 {
		return
	}
	if at := 2 + int(binary.BigEndian.Uint16(b)); at < len(b) {
		s.version = b[at]
	}
}

// replace reads a PUBLISH beyond the limit away, whose first byte is pending.
func (s *shrinker) replace(size int) error {
	first := s.pending[0]
	var length [2]byte
	if _, err := io.ReadFull(s.src, length[:]); err != nil {
		return err
	}
	topic := make([]byte, binary.BigEndian.Uint16(length[:]))
	rest := size - 2 - len(topic)
	var id []byte
	if first>>1&3 > 0 {
		id = make([]byte, 2)
		rest -= 2
	}
	if rest < 0 {
		return errBadPublish
	}
	if _, err := io.ReadFull(s.src, topic); err != nil {
		return err
	}
	if _, err := io.ReadFull(s.src, id); err != nil {
		return err
	}
	if _, err := io.CopyN(io.Discard, s.src, int64(rest)); err != nil {
		return fmt.Errorf("pass over an oversize packet: %w", err)
	}
	s.told(string(topic), size)
	s.pending = append(s.pending[:0], first&^retainBit, byte(2+len(oversizeTopic)+len(id)))
	s.pending = binary.BigEndian.AppendUint16(s.pending, uint16(len(oversizeTopic)))
	s.pending = append(append(s.pending, oversizeTopic...), id...)
	return nil
}
