@echo off
rem Checks format, lint, types, tests and the wheel; environment.py does the work.
setlocal
if not defined PYTHON where py >nul 2>nul && set "PYTHON=py"
if not defined PYTHON set "PYTHON=python"
"%PYTHON%" "%~dp0environment.py" check %*
exit /b %errorlevel%
