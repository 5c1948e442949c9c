// Package web serves holdfast's pages from the binary itself: offline, by
// default to this machine alone. It translates requests into tasks and draws
// the answers; it computes nothing.
//
// A page may touch files only inside the folders named at the start and inside
// the keep, a folder of holdfast's own where frames that are dropped on a page,
// answers and notes stay. Whatever was answered is on the disk: a restart loses
// nothing.
package web
