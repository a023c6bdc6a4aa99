package app

import "context"

func (a *App) makeForward(context.Context) error { return nil }
