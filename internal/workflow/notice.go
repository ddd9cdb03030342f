package workflow

import "time"

// answer notes that somebody took up the calls about a Task: by claiming or ending it.
func (t *Task) answer(by string, at time.Time) {
	for i := range t.Called {
		if c := &t.Called[i]; c.Answered.IsZero() {
			c.Answered, c.By = at, by
		}
	}
}

// notices gives the calls about the Task that differ from those of old.
func (t *Task) notices(old *Task) []Effect {
	var list []Effect
	for i, c := range t.Called {
		if old != nil && i < len(old.Called) && old.Called[i] == c {
			continue
		}
		list = append(list, PutNotice{t.notice(i)})
	}
	return list
}

// notice is the i-th call about the Task.
func (t *Task) notice(i int) Notice {
	c := t.Called[i]
	return Notice{
		Task: t.Key, Ordinal: i + 1, Level: c.Level, Priority: t.Priority, Text: t.Description,
		At: c.At, Answered: c.Answered, By: c.By,
	}
}
