package live

// ring holds the newest changes, bounded by count and by bytes. Their numbers
// follow each other without a gap.
type ring struct {
	maxCount, maxBytes int
	messages           []*prepared
	newest             uint64
	bytes              int
}

func (r *ring) add(n uint64, m *prepared) {
	r.messages = append(r.messages, m)
	r.newest = n
	r.bytes += m.size
	drop := 0
	for len(r.messages)-drop > r.maxCount || r.bytes > r.maxBytes {
		r.bytes -= r.messages[drop].size
		// Else the array under the slice would keep it.
		r.messages[drop] = nil
		drop++
	}
	r.messages = r.messages[drop:]
}

func (r *ring) clear() { r.messages, r.bytes = nil, 0 }

// since returns the changes after the number, and false where they are no longer
// all held. The slice is the caller's.
func (r *ring) since(after, newest uint64) ([]*prepared, bool) {
	if after > newest || newest-after > uint64(len(r.messages)) {
		return nil, false
	}
	missed := int(newest - after)
	if missed == 0 {
		return nil, true
	}
	if r.newest != newest {
		return nil, false
	}
	return append([]*prepared(nil), r.messages[len(r.messages)-missed:]...), true
}
