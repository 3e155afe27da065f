package simulated

import (
	"bytes"
	"context"
	"io"
	"sync"
	"time"
)

// wire is one connection to an instrument: a socket or a pseudo-terminal.
type wire interface {
	io.ReadWriteCloser
	SetWriteDeadline(time.Time) error
	// breakOff ends the connection as a pulled cable would; away is how long it cannot be made again.
	breakOff(away time.Duration)
}

const (
	longestMessage = 1 << 20
	// patience is how long an answer waits for a client that does not read.
	patience = 10 * time.Second
	// afterHangUp is how long a command goes on whose client has gone.
	afterHangUp = time.Second
)

// serve is the dialogue on one connection, until the client hangs up or the connection is closed. It closes the connection.
func (i *instrument) serve(ctx context.Context, w wire) {
	talk := i.talk()
	defer context.AfterFunc(ctx, talk.Close)()
	messages, stop := make(chan []byte), make(chan struct{})
	var receiver sync.WaitGroup
	receiver.Go(func() {
		defer close(messages)
		i.receive(w, messages, stop)
		time.AfterFunc(afterHangUp, talk.Close)
	})
	for message := range messages {
		if !i.exchange(ctx, w, talk, message) {
			break
		}
	}
	talk.Close()
	close(stop)
	w.Close()
	receiver.Wait()
}

// receive cuts what arrives into messages. One that is too long is dropped up to its end.
func (i *instrument) receive(w io.Reader, messages chan<- []byte, stop <-chan struct{}) {
	var buf []byte
	chunk := make([]byte, 4096)
	dropping := false
	for {
		n, err := w.Read(chunk)
		buf = append(buf, chunk[:n]...)
		if dropping {
			end := bytes.Index(buf, []byte(i.eol))
			dropping = end < 0
			if dropping {
				buf = nil
			} else {
				buf = buf[end+len(i.eol):]
			}
		}
		for {
			message, rest, ok := i.split(buf)
			if !ok {
				break
			}
			select {
			case messages <- bytes.Clone(message):
			case <-stop:
				return
			}
			buf = rest
		}
		if err != nil {
			return
		}
		if len(buf) > longestMessage {
			buf, dropping = nil, true
			if i.overrun != nil {
				i.overrun()
			}
		}
		buf = bytes.Clone(buf)
	}
}

// exchange carries out one message and answers it, as well as the instrument's faults let it. False: the connection is done.
func (i *instrument) exchange(ctx context.Context, w wire, talk conversation, message []byte) bool {
	i.harm.received()
	if away, ok := i.harm.take(goneAndBack); ok {
		w.breakOff(seconds(away))
		return false
	}
	if !wait(ctx, i.pace.of(messageTime)) {
		return false
	}
	if i.refresh != nil {
		i.refresh()
	}
	answer := talk.Execute(message)
	switch {
	case ctx.Err() != nil: // the plug was pulled: what waited has ended by that, and nobody is answered any more
		return false
	case answer == nil:
		return true
	}
	return i.send(ctx, w, answer)
}

// send writes an answer with its terminator, unless a fault takes its turn.
func (i *instrument) send(ctx context.Context, w wire, answer []byte) bool {
	h := i.harm
	if h.acts(silence) {
		return true
	}
	if late, ok := h.take(answerLate); ok && !wait(ctx, seconds(late)) {
		return false
	}
	if h.acts(answerWrong) {
		answer = i.otherAnswer(answer)
	}
	if h.acts(garbage) {
		answer = h.dice.bytes(len(answer))
	}
	whole := append(bytes.Clone(answer), i.eol...)
	switch {
	case h.acts(disconnect):
		i.write(w, whole[:len(whole)/2])
		w.breakOff(0)
		return false
	case h.acts(answerCutShort):
		whole = whole[:len(answer)/2]
	case h.acts(answerTwice):
		whole = append(whole, whole...)
	}
	return i.write(w, whole)
}

// otherAnswer is one that belongs to another question.
func (i *instrument) otherAnswer(answer []byte) []byte {
	if string(answer) == i.identity {
		return []byte("0")
	}
	return []byte(i.identity)
}

func (i *instrument) write(w wire, data []byte) bool {
	if w.SetWriteDeadline(time.Now().Add(patience)) != nil {
		return false
	}
	_, err := w.Write(data)
	return err == nil
}
