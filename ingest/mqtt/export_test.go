package mqtt

// Cut ends the present connection as a loss would.
func (c *Client) Cut() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.conn.Cut()
}
