/* Starts a program in this console, made long enough for all it writes, and writes what then stands on the screen to a file, as UTF-8;
   the last line says whether the program asked the console to read colour codes. For tests under Wine only, in a terminal.
   Usage: screen FILE PROGRAM ARGUMENT...; ends with the program's exit code, 250 where it could not. */
#include <stdio.h>
#include <string.h>
#include <windows.h>

#ifndef ENABLE_VIRTUAL_TERMINAL_PROCESSING
#define ENABLE_VIRTUAL_TERMINAL_PROCESSING 4
#endif

int wmain(int count, wchar_t **words) {
    static wchar_t line[32768], row[201];
    static char bytes[1024];
    const COORD size = {200, 400};
    STARTUPINFOW how = {sizeof how};
    PROCESS_INFORMATION child;
    SECURITY_ATTRIBUTES handed_down = {sizeof handed_down, NULL, TRUE};
    DWORD code = 250, mode = 0, got = 0;
    HANDLE screen;
    FILE *file;
    COORD at = {0, 0};
    int word;
    if (count < 3) return 250;
    for (word = 2; word < count; word++) {
        wcscat(line, L"\"");
        wcscat(line, words[word]);
        wcscat(line, L"\" ");
    }
    screen = CreateFileW(L"CONOUT$", GENERIC_READ | GENERIC_WRITE, FILE_SHARE_READ | FILE_SHARE_WRITE, &handed_down, OPEN_EXISTING, 0, NULL);
    if (screen == INVALID_HANDLE_VALUE || !SetConsoleScreenBufferSize(screen, size)) return 250;
    /* A new console of Windows reads no colour codes until a program asks. */
    GetConsoleMode(screen, &mode);
    SetConsoleMode(screen, mode & ~ENABLE_VIRTUAL_TERMINAL_PROCESSING);
    how.dwFlags = STARTF_USESTDHANDLES;
    how.hStdOutput = how.hStdError = screen;
    if (!CreateProcessW(NULL, line, NULL, NULL, TRUE, 0, NULL, NULL, &how, &child)) return 250;
    if (WaitForSingleObject(child.hProcess, 300000) != WAIT_OBJECT_0) return 250;
    GetExitCodeProcess(child.hProcess, &code);
    file = _wfopen(words[1], L"wb");
    if (!file) return 250;
    for (at.Y = 0; at.Y < size.Y; at.Y++) {
        ReadConsoleOutputCharacterW(screen, row, size.X, at, &got);
        while (got > 0 && (row[got - 1] == L' ' || row[got - 1] == 0)) got--;
        fwrite(bytes, 1, WideCharToMultiByte(CP_UTF8, 0, row, got, bytes, sizeof bytes, NULL, NULL), file);
        fputc('\n', file);
    }
    GetConsoleMode(screen, &mode);
    fprintf(file, "colour codes: %s\n", mode & ENABLE_VIRTUAL_TERMINAL_PROCESSING ? "read" : "not read");
    fclose(file);
    return (int)code;
}
