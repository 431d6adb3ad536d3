/* Starts a program in this console and presses Ctrl-C once a text stands in a file, as a person would who watches that file. For tests
   under Wine only, in a terminal. Usage: press FILE TEXT PROGRAM ARGUMENT...; ends with the program's exit code, 250 where it could not. */
#include <stdio.h>
#include <string.h>
#include <windows.h>

static int stands(const char *path, const char *text) {
    static char content[1 << 20];
    HANDLE file = CreateFileA(path, GENERIC_READ, FILE_SHARE_READ | FILE_SHARE_WRITE, NULL, OPEN_EXISTING, 0, NULL);
    DWORD length = 0;
    if (file == INVALID_HANDLE_VALUE) return 0;
    ReadFile(file, content, sizeof content - 1, &length, NULL);
    CloseHandle(file);
    content[length] = 0;
    return strstr(content, text) != NULL;
}

int main(int count, char **words) {
    static char line[32768];
    STARTUPINFOA how = {sizeof how};
    PROCESS_INFORMATION child;
    DWORD code = 250;
    int at;
    if (count < 4) return 250;
    for (at = 3; at < count; at++) {
        strcat(line, "\"");
        strcat(line, words[at]);
        strcat(line, "\" ");
    }
    if (!CreateProcessA(NULL, line, NULL, NULL, TRUE, 0, NULL, NULL, &how, &child)) return 250;
    /* Not before: a child inherits that it ignores the key. */
    SetConsoleCtrlHandler(NULL, TRUE);
    while (!stands(words[1], words[2])) {
        if (WaitForSingleObject(child.hProcess, 20) == WAIT_OBJECT_0) {
            fprintf(stderr, "press: the program ended before `%s` stood in %s\n", words[2], words[1]);
            return 250;
        }
    }
    if (!GenerateConsoleCtrlEvent(CTRL_C_EVENT, 0)) {
        fprintf(stderr, "press: the key could not be pressed (%lu)\n", GetLastError());
        return 250;
    }
    if (WaitForSingleObject(child.hProcess, 120000) != WAIT_OBJECT_0) {
        fprintf(stderr, "press: the program goes on\n");
        return 250;
    }
    GetExitCodeProcess(child.hProcess, &code);
    return (int)code;
}
