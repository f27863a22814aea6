//go:build !race

package main

const shelfSpeed = "20"
